//! The wall for the bench: to scale by pitch, from the front or from the back, with feeds, data edges and ribbons.
//! Black on white: it is made to be printed.

use super::geometry::{Link, Placed, RIBBON_SUPPLIED_M, View, links, placed, places};
use super::text::escape;
use crate::build::Build;
use std::fmt::Write as _;

/// Width that prints on both A4 and Letter with 15 mm margins, lanes of the ribbons left out, millimetres.
const PAPER_WIDTH_MM: f64 = 158.0;
/// Greatest height of the wall on paper, millimetres.
const PAPER_HEIGHT_MM: f64 = 150.0;
/// Room beside the wall for the lanes of the ports' ribbons, millimetres.
const LANES_MM: f64 = 10.0;
/// Height of a box under the wall, millimetres.
const BOX_MM: f64 = 11.0;

/// How large a drawing is: one millimetre on paper stands for `one_to` millimetres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// 5 for a scale of 1:5.
    pub one_to: f64,
    /// Distance of pixels, millimetres.
    pub pitch_mm: f64,
}

impl Scale {
    /// The largest whole scale at which the wall fits a page.
    pub fn of(build: &Build) -> Self {
        let pitch_mm = build.panels.first().map_or(1.0, |p| build.panel_types[p.kind].pitch_mm);
        let [w, h] = build.wall_size().map(|n| f64::from(n) * pitch_mm);
        Self { one_to: (w / PAPER_WIDTH_MM).max(h / PAPER_HEIGHT_MM).ceil().max(1.0), pitch_mm }
    }
    /// Wall pixels to millimetres on paper.
    pub fn paper(self, pixels: f64) -> f64 {
        pixels * self.pitch_mm / self.one_to
    }
}

/// Colours of feeds, dark enough for print; the pattern tells them apart without colour.
const COLOURS: [&str; 8] = ["#1f5fa8", "#b8500c", "#1d7a45", "#8e2f68", "#5a46a8", "#6d6012", "#0f7480", "#a32020"];
/// Strokes of one 4 mm tile each.
const PATTERNS: [&str; 8] = [
    "M-1 1L1 -1M0 4L4 0M3 5L5 3",
    "M1 1h.01M3 3h.01",
    "M-1 3L1 5M0 0L4 4M3 -1L5 1",
    "M0 2H4",
    "M2 0V4",
    "M0 0L4 4M0 4L4 0",
    "M0 2H4M2 0V4",
    "M0 3L2 1L4 3",
];

fn pattern_defs(build: &Build, prefix: &str) -> String {
    let mut out = String::from("<defs>");
    for (f, _) in build.feeds.iter().enumerate() {
        // more feeds than patterns: the second round has the same strokes, wider apart, in the next colour
        let round = f / PATTERNS.len();
        let _ = write!(
            out,
            r#"<pattern id="{prefix}{f}" width="4" height="4" patternUnits="userSpaceOnUse" patternTransform="scale({})"><rect width="4" height="4" fill="{c}" fill-opacity=".10"/><path d="{}" stroke="{c}" stroke-opacity=".75" stroke-width="{w}" stroke-linecap="round" fill="none"/></pattern>"#,
            1.0 + 0.8 * round as f64,
            PATTERNS[f % PATTERNS.len()],
            c = COLOURS[(f + round) % COLOURS.len()],
            // dots need more ink than lines
            w = if PATTERNS[f % PATTERNS.len()].contains(".01") { 0.9 } else { 0.45 }
        );
    }
    out.push_str("</defs>");
    out
}

/// A small patch with a feed's pattern, for tables. `id` makes it unique on its page.
pub fn feed_swatch(build: &Build, feed: usize, id: &str) -> String {
    format!(
        r#"<svg class="swatch" width="9mm" height="4mm" viewBox="0 0 9 4" aria-hidden="true">{}<rect width="9" height="4" fill="url(#{id}{feed})" stroke="\#000" stroke-width=".2"/></svg>"#,
        pattern_defs(build, id)
    )
    .replace("\\#", "#")
}

/// SVG element of the wall from one side. The back view has the boxes that the ribbons and leads come from.
pub fn bench(build: &Build, view: View) -> String {
    Drawing::new(build, view).svg()
}

struct Drawing<'a> {
    build: &'a Build,
    view: View,
    scale: Scale,
    all: Vec<Placed>,
    svg: String,
}

impl<'a> Drawing<'a> {
    fn new(build: &'a Build, view: View) -> Self {
        Self { build, view, scale: Scale::of(build), all: placed(build, view), svg: String::new() }
    }

    fn mm(&self, at: [f64; 2]) -> [f64; 2] {
        at.map(|v| self.scale.paper(v))
    }

    fn svg(mut self) -> String {
        let [w, h] = self.build.wall_size().map(|n| self.scale.paper(f64::from(n)));
        let ports = self.build.chains.len() as f64;
        let below =
            if self.view == View::Back { 8.0 + 2.0 * ports + BOX_MM + self.build.supplies.len() as f64 * (BOX_MM + 3.0) } else { 2.0 };
        // the boxes need room for their words even under a narrow wall
        let inner = if self.view == View::Back { w.max(120.0) } else { w };
        let (width, height) = (inner + 2.0 * LANES_MM, h + below + 5.0);
        let _ = write!(
            self.svg,
            r#"<svg class="bench" data-view="{v}" width="{width:.1}mm" height="{height:.1}mm" viewBox="{:.1} -5 {width:.1} {height:.1}" role="img" aria-label="the wall from the {v}">"#,
            -LANES_MM,
            v = self.view.word(),
        );
        let defs = pattern_defs(self.build, self.view.word());
        self.svg.push_str(&defs);
        let order = places(self.build);
        for i in 0..self.all.len() {
            let place = order.iter().position(|&p| p == i).map_or(0, |k| k + 1);
            self.panel(i, place);
        }
        for i in 0..self.all.len() {
            self.input_bar(i);
        }
        let links = links(self.build);
        if self.view == View::Back {
            self.boxes(w, h, &links);
        }
        for link in &links {
            if let Some(from) = link.from {
                self.ribbon(from, link);
            } else if self.view == View::Front {
                let [x, y] = self.mm(self.all[link.to].data_in);
                let _ = write!(self.svg, r##"<circle cx="{x:.2}" cy="{y:.2}" r="1.1" fill="#000"/>"##);
            }
        }
        self.svg.push_str("</svg>");
        self.svg
    }

    fn panel(&mut self, i: usize, place: usize) {
        let placed = &self.all[i];
        let panel = &self.build.panels[i];
        let ([x, y], [w, h]) = (self.mm(placed.at), self.mm(placed.size));
        let _ = write!(
            self.svg,
            r#"<g class="panel" data-panel="{}.{}"><rect x="{x:.2}" y="{y:.2}" width="{w:.2}" height="{h:.2}" fill="url(#{}{})" stroke="black" stroke-width=".4"/>"#,
            panel.port,
            panel.position,
            self.view.word(),
            panel.feed
        );
        let size = w.min(h);
        // arrow at the panel's own top
        let [ux, uy] = placed.up;
        let [tx, ty] = self.mm(placed.towards(placed.up, 1.0));
        let (tx, ty) = (tx - ux * 0.05 * size, ty - uy * 0.05 * size);
        let (length, side) = (0.15 * size, 0.09 * size);
        let (bx, by) = (tx - ux * length, ty - uy * length);
        let _ = write!(
            self.svg,
            r##"<path class="arrow" d="M{tx:.2} {ty:.2}L{:.2} {:.2}L{:.2} {:.2}Z" fill="#000" stroke="#fff" stroke-width=".3" paint-order="stroke"/>"##,
            bx + uy * side,
            by + ux * side,
            bx - uy * side,
            by - ux * side
        );
        let [mx, my] = self.mm(placed.middle());
        // words stay clear of the ribbon, which runs through the middle
        let (big, small) = (0.23 * size, (0.14 * size).min(3.6));
        // an arrow at the bottom needs the place of the lower words
        let low = my + if uy > 0.0 { 0.27 } else { 0.36 } * size;
        self.words(mx, my - 0.1 * size, big, "700", &format!("{}·{}", panel.port, panel.position));
        self.words(mx, low, small, "400", &format!("{} · place {place}", self.build.feeds[panel.feed].name));
        self.svg.push_str("</g>");
    }

    /// A heavy bar along the data input edge, inside the panel.
    fn input_bar(&mut self, i: usize) {
        let placed = &self.all[i];
        let [w, h] = self.mm(placed.size);
        let [dx, dy] = placed.input;
        let [ex, ey] = self.mm(placed.towards(placed.input, 1.0));
        let bar = (0.04 * w.min(h)).clamp(0.8, 1.6);
        let half = 0.36 * if dx == 0.0 { w } else { h };
        let (cx, cy) = (ex - dx * bar / 2.0, ey - dy * bar / 2.0);
        let _ = write!(
            self.svg,
            r##"<path d="M{:.2} {:.2}L{:.2} {:.2}" stroke="#000" stroke-width="{bar:.2}"/>"##,
            cx - dy * half,
            cy - dx * half,
            cx + dy * half,
            cy + dx * half
        );
    }

    fn words(&mut self, x: f64, y: f64, size: f64, weight: &str, text: &str) {
        let _ = write!(
            self.svg,
            r##"<text x="{x:.2}" y="{y:.2}" font-size="{size:.2}" font-weight="{weight}" text-anchor="middle" stroke="#fff" stroke-width="{:.2}" paint-order="stroke" fill="#000">{}</text>"##,
            (0.2 * size).min(1.2),
            escape(text)
        );
    }

    /// From one panel's output to the next one's input: along the wall's edges, an arrow head at its end. One that
    /// passes panels on its way runs beside the row's middle, so that it is not taken for their own.
    fn ribbon(&mut self, from: usize, link: &Link) {
        let ([ax, ay], [bx, by]) = (self.mm(self.all[from].data_out), self.mm(self.all[link.to].data_in));
        let long = link.needed_m.filter(|m| *m > RIBBON_SUPPLIED_M + 1e-9);
        let (level, upright) = ((ay - by).abs() < 1e-6, (ax - bx).abs() < 1e-6);
        let lane = ay + 2.2 * (1 + link.to % 2) as f64;
        let way = match (level, upright) {
            (true, _) if long.is_some() => vec![[ax, ay], [ax, lane], [bx, lane], [bx, by]],
            (false, false) => vec![[ax, ay], [bx, ay], [bx, by]],
            _ => vec![[ax, ay], [bx, by]],
        };
        let points: Vec<String> = way.iter().map(|[x, y]| format!("{x:.2} {y:.2}")).collect();
        let _ = write!(self.svg, r##"<path class="ribbon" d="M{}" fill="none" stroke="#000" stroke-width=".9"/>"##, points.join("L"));
        self.head(way[way.len() - 2], [bx, by]);
        let _ = write!(self.svg, r##"<circle cx="{ax:.2}" cy="{ay:.2}" r=".8" fill="#fff" stroke="#000" stroke-width=".4"/>"##);
        if let Some(needed) = long {
            let width = self.scale.paper(f64::from(self.build.wall_size()[0]));
            let (x, y) = if level { (f64::midpoint(ax, bx), lane) } else { (bx, f64::midpoint(ay, by)) };
            // words stay inside the wall
            let x = x.clamp(11.0_f64.min(width / 2.0), (width - 11.0).max(width / 2.0));
            let _ = write!(self.svg, r##"<rect x="{:.2}" y="{:.2}" width="19" height="3.4" fill="#fff"/>"##, x - 9.5, y - 1.7);
            self.words(x, y + 1.0, 2.8, "700", &format!("{needed:.2} m: longer"));
        }
    }

    /// Head of an arrow that ends at `b`, coming from `a`.
    fn head(&mut self, [ax, ay]: [f64; 2], [bx, by]: [f64; 2]) {
        let long = (bx - ax).hypot(by - ay).max(1e-9);
        let (dx, dy) = ((bx - ax) / long, (by - ay) / long);
        let _ = write!(
            self.svg,
            r##"<path d="M{:.2} {:.2}L{:.2} {:.2}L{:.2} {:.2}Z" fill="#000"/>"##,
            bx + dx,
            by + dy,
            bx - dx - dy * 1.1,
            by - dy + dx * 1.1,
            bx - dx + dy * 1.1,
            by - dy - dx * 1.1
        );
    }

    /// Controller with adapter, distributions and supplies under the wall, and the ports' ribbons.
    fn boxes(&mut self, w: f64, h: f64, links: &[Link]) {
        let inner = w.max(120.0);
        let top = h + 6.0 + 2.0 * self.build.chains.len() as f64;
        let first: Vec<&Link> = links.iter().filter(|l| l.from.is_none()).collect();
        let step = 22.0_f64.min((inner - 45.0) / first.len().max(1) as f64);
        self.frame(0.0, top, inner);
        self.left(1.5, top + 4.5, 3.0, "700", "controller + adapter");
        let feed = &self.build.feeds[self.build.controller.feed].name;
        self.left(1.5, top + 8.8, 2.8, "400", &format!("5 V from feed {feed}"));
        for (k, link) in first.iter().enumerate() {
            let panel = &self.build.panels[link.to];
            let x = 45.0 + step * (k as f64 + 0.5);
            self.words(x, top + 5.0, 3.0, "700", &format!("port {}", panel.port));
            self.words(x, top + 8.8, 2.6, "400", &format!("{:.2} m", link.build_m));
            self.port_ribbon(k, [x, top], w, h, link.to);
        }
        for s in 0..self.build.supplies.len() {
            self.distribution(s, top + (BOX_MM + 3.0) * (s + 1) as f64, inner);
        }
    }

    fn port_ribbon(&mut self, k: usize, [px, py]: [f64; 2], w: f64, h: f64, to: usize) {
        let [bx, by] = self.mm(self.all[to].data_in);
        let [ex, _] = self.mm(self.all[to].towards(self.all[to].input, 1.0));
        let dx = self.all[to].input[0];
        let step = 2.0 * (k + 1) as f64;
        // an outer edge is reached around the wall, an inner one along the seam
        let lane = if dx == 0.0 {
            bx
        } else if ex < 1.0 {
            -step
        } else if ex > w - 1.0 {
            w + step
        } else {
            ex
        };
        let turn = h + 2.0 + step;
        let _ = write!(
            self.svg,
            r##"<path class="ribbon" d="M{px:.2} {py:.2}L{px:.2} {turn:.2}L{lane:.2} {turn:.2}L{lane:.2} {by:.2}L{bx:.2} {by:.2}" fill="none" stroke="#000" stroke-width=".9" stroke-dasharray="2.2 .8"/>"##
        );
        self.head(if dx == 0.0 { [bx, turn] } else { [lane, by] }, [bx, by]);
    }

    fn frame(&mut self, x: f64, y: f64, w: f64) {
        let _ = write!(
            self.svg,
            r##"<rect x="{x:.2}" y="{y:.2}" width="{w:.2}" height="{BOX_MM}" rx="1" fill="#fff" stroke="#000" stroke-width=".4"/>"##
        );
    }

    fn left(&mut self, x: f64, y: f64, size: f64, weight: &str, text: &str) {
        let _ = write!(self.svg, r#"<text x="{x:.2}" y="{y:.2}" font-size="{size}" font-weight="{weight}">{}</text>"#, escape(text));
    }

    /// A supply and its fused distribution with the pattern of each feed.
    fn distribution(&mut self, s: usize, y: f64, inner: f64) {
        let supply = &self.build.supplies[s];
        self.frame(0.0, y, 38.0);
        self.left(1.5, y + 4.5, 3.0, "700", &format!("supply {}", supply.name));
        self.left(1.5, y + 8.8, 2.8, "400", &format!("set to {:.2} V", supply.set_v.value()));
        let _ = write!(self.svg, r##"<path d="M38 {0:.2}H45" stroke="#000" stroke-width="1.4"/>"##, y + BOX_MM / 2.0);
        self.frame(45.0, y, inner - 45.0);
        let feeds: Vec<usize> = (0..self.build.feeds.len()).filter(|&f| self.build.feeds[f].supply == s).collect();
        let step = ((inner - 45.0) / feeds.len().max(1) as f64).min(28.0);
        for (k, f) in feeds.into_iter().enumerate() {
            let feed = &self.build.feeds[f];
            let x = 45.0 + step * k as f64 + 1.0;
            let _ = write!(
                self.svg,
                r##"<rect x="{x:.2}" y="{:.2}" width="{:.2}" height="4.2" fill="url(#{}{f})" stroke="#000" stroke-width=".3"/>"##,
                y + 1.0,
                step - 2.0,
                self.view.word()
            );
            self.words(x + step / 2.0 - 1.0, y + 9.3, 2.8_f64.min(step / 6.0), "700", &format!("{} {} A", feed.name, feed.fuse_a.value()));
        }
    }
}
