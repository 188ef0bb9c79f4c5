//! Journals of every format version that was ever written can still be read and judged. Each has a fixture that is never
//! changed: tests/journals/v<format>/.

use signproof::commission::{judged, read_run};
use signproof::event::{Event, FORMAT};
use signproof::journal;
use std::path::Path;

#[test]
fn every_version_has_a_fixture_that_reads_and_judges() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/journals");
    for format in 1..=FORMAT {
        let dir = root.join(format!("v{format}"));
        let mut found = 0;
        for path in std::fs::read_dir(&dir).expect("a fixture of each version").map(|e| e.unwrap().path()) {
            found += 1;
            let recovered = journal::read(&std::fs::read(&path).unwrap());
            assert_eq!(recovered.torn, None, "{}", path.display());
            assert!(recovered.ended);
            let Event::RunStarted { format: written, .. } = &recovered.entries[0].event else { panic!("no start") };
            assert_eq!(*written, format);
            let judged = read_run(&path).unwrap();
            assert_eq!(judged.report.sign.serial, "TK-0001");
            // a run cut to stages: never pass
            assert_eq!(judged.report.outcome.word(), "incomplete");
            let numbers = judged.numbers();
            assert!(numbers.quantities.iter().any(|q| q.id.starts_with("open/volts/")), "its readings are understood");
            assert!(numbers.quantities.iter().any(|q| q.id.starts_with("resistance/")), "its climb is understood");
        }
        assert!(found > 0);
    }
}

#[test]
fn a_newer_format_is_named_not_misread() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/journals/v1/kiosk-cut.jsonl");
    let mut entries = journal::read(&std::fs::read(path).unwrap()).entries;
    if let Event::RunStarted { format, .. } = &mut entries[0].event {
        *format = FORMAT + 1;
    }
    let error = judged(Path::new("x"), entries).err().unwrap().to_string();
    assert!(error.contains("judge it with a newer one"), "{error}");
}
