//! Judgement → `report.json` (canonical), `report.html`.
