//! The paper checks: each verdict by a build that has just that trait, with the numbers worked out by hand.

use signproof::build::{Buffer, Build, Conductor, Lead, load};
use signproof::power::{DeskReport, Verdict, desk, permitted, pins};
use signproof::units::{Amps, Ohms, Volts};

fn demo() -> Build {
    load(include_str!("../config/water-taxi.toml"), "water-taxi.toml").unwrap()
}
fn kiosk() -> Build {
    load(include_str!("../config/kiosk.toml"), "kiosk.toml").unwrap()
}
fn verdict(r: &DeskReport, id: &str) -> Verdict {
    r.checks.iter().find(|c| c.id == id).unwrap_or_else(|| panic!("no check {id}")).verdict
}
fn value(r: &DeskReport, id: &str) -> f64 {
    r.checks.iter().find(|c| c.id == id).and_then(|c| c.value).unwrap_or_else(|| panic!("no value of {id}"))
}
fn rated(amps: f64) -> Lead {
    Lead { conductor: Conductor::Mm2(1.5), length_m: 0.45, rated_a: Some(Amps::new(amps)), joints: Ohms::new(0.002) }
}
fn cautions(b: &Build) -> String {
    pins(b).cautions.join("\n")
}

#[test]
fn the_demo_sign_is_sound_at_full_white() {
    let r = desk(&demo());
    assert!(r.sound() && r.exit_code() == 0, "{}", r.text());
    assert_eq!((r.level_permitted, r.level_binds.as_str()), (1.0, ""));
    assert!(r.checks.iter().all(|c| !c.basis.is_empty()));
}

#[test]
fn the_level_is_the_last_thousandth_that_the_fuse_allows() {
    // F1: two panels of 0.08 A idle and 2.40 A of light + 10 %; 75 % of 5 A is 3.75 A:
    // (3.75 / 2 − 0.08) / 2.64 = 0.6799
    let p = permitted(&kiosk());
    assert!((p.level - 0.679).abs() < 1e-9, "{}", p.level);
    assert_eq!(p.place.feed.as_deref(), Some("F1"));
    assert!(p.binds.contains("F1") && p.binds.contains("5.0 A") && p.binds.contains("75 %"), "{}", p.binds);
    let r = desk(&kiosk());
    assert!(r.sound());
    assert_eq!(verdict(&r, "level"), Verdict::Caution);
    let load = value(&r, "feed/F1/fuse-load");
    assert!(load <= 3.75 && load > 3.75 - 2.0 * 2.64 * 0.001, "{load}");
    let text = r.text();
    assert!(text.find("67.9 %").unwrap() < text.find("caution").unwrap());
}

/// 4.90 to 5.25 V at the terminals is accepted and 5.02 V passes: common practice, no source.
#[test]
fn a_supply_set_to_5_02_v_is_accepted() {
    let text = include_str!("../config/water-taxi.toml").replace("set_v = 5.10", "set_v = 5.02");
    let b = load(&text, "water-taxi.toml").unwrap();
    assert_eq!(b.supplies[0].set_v, Volts::new(5.02));
    assert_eq!(b.supplies[0].accept_v, [Volts::new(4.90), Volts::new(5.25)]);
    assert!(desk(&b).sound());
}

/// The controller takes about 3 A, so a lead good for 5 A behind a 5 A fuse passes (common practice, no source); below
/// 1.35 × the fuse it is cautioned, below the fuse it fails.
#[test]
fn a_lead_is_judged_against_its_fuse() {
    let mut b = demo();
    let f = b.controller.feed;
    let id = format!("feed/{}/lead", b.feeds[f].name);
    for (amps, want) in [(4.9, Verdict::Fail), (5.0, Verdict::Caution), (6.7, Verdict::Caution), (6.75, Verdict::Pass)] {
        b.feeds[f].lead = rated(amps);
        let r = desk(&b);
        assert_eq!(verdict(&r, &id), want, "{amps} A");
        assert_eq!(r.sound(), want != Verdict::Fail, "{amps} A");
        assert_eq!(r.exit_code(), u8::from(want == Verdict::Fail));
    }
}

/// One Y lead feeds two panels: common practice, no source. Its fuse carries both.
#[test]
fn a_y_lead_carries_both_of_its_panels() {
    let r = desk(&demo());
    // 2 × (0.10 + 3.60 × 1.10) A
    assert!((value(&r, "feed/F1/fuse-load") - 8.12).abs() < 1e-9);
}

#[test]
fn heat_takes_from_the_supply() {
    let mut b = demo();
    let whole = desk(&b).checks.iter().find(|c| c.id == "supply/main/load").unwrap().limit.high.unwrap();
    assert!((whole - 32.0).abs() < 1e-9, "80 % of 40 A: {whole}");
    // 10 K above the 50 °C from which 2.5 % a kelvin are lost: 80 % of 30 A; 3 A + six panels allow less than full white
    b.limits.ambient_max_c = 60.0;
    let hot = desk(&b);
    let limit = hot.checks.iter().find(|c| c.id == "supply/main/load").unwrap().limit.high.unwrap();
    assert!((limit - 24.0).abs() < 1e-9, "{limit}");
    // (24 − 3 − 0.6) / (6 × 3.96) = 0.8585
    assert!((hot.level_permitted - 0.858).abs() < 1e-9, "{}", hot.level_permitted);
}

#[test]
fn a_fuse_too_small_for_what_is_always_on_fails_and_says_so() {
    let mut controller = demo();
    let f = controller.controller.feed;
    controller.feeds[f].fuse_a = Amps::new(2.0);
    let mut idle = demo();
    idle.panel_types[0].idle_a = Amps::new(6.0);
    for b in [controller, idle] {
        let r = desk(&b);
        assert_eq!((r.level_permitted, r.exit_code(), r.result), (0.0, 1, "not-sound"));
        assert_eq!(verdict(&r, "level"), Verdict::Fail);
        assert!(r.text().contains("FAIL: nothing may be lit"), "{}", r.text());
    }
}

#[test]
fn volts_at_the_panels_bind_a_long_lead() {
    let mut b = demo();
    // 4 m of 4 mm² out and back: volts bind long before the fuse does
    b.feeds[0].lead.length_m = 4.0;
    let p = permitted(&b);
    assert!(p.level < 1.0 && p.level > 0.0 && (p.binds.contains("volts at port") || p.binds.contains("drop to port")), "{p:?}");
    let r = desk(&b);
    assert!(r.sound(), "{}", r.text());
    // the drop to the farthest panel is stated and lies within what the build allows
    assert!(value(&r, "drop/farthest-panel") <= b.limits.drop_v.value());
    assert_eq!(verdict(&r, "drop/feed/F1"), Verdict::Caution);
}

#[test]
fn refresh_hazard_and_opening_current() {
    let mut b = demo();
    let r = desk(&b);
    // 20 MHz / (16 addresses × (3 × 64 columns + 3))
    assert!((value(&r, "refresh") - 20e6 / (16.0 * 195.0)).abs() < 1e-6);
    // 40 A at 5.1 V is 204 VA
    assert_eq!(verdict(&r, "supply/main/hazard"), Verdict::Pass);
    b.limits.refresh_hz = 7000.0;
    b.supplies[0].rated_a = Amps::new(60.0);
    let r = desk(&b);
    assert_eq!((verdict(&r, "refresh"), verdict(&r, "supply/main/hazard")), (Verdict::Fail, Verdict::Caution));
    // a 10 A supply cannot open a 10 A fuse, a 60 A one can
    let mut k = kiosk();
    k.supplies[0].rated_a = Amps::new(60.0);
    assert_eq!(verdict(&desk(&k), "supply/main/opens-fuse"), Verdict::Pass);
    k.supplies[0].rated_a = Amps::new(10.0);
    k.feeds[0].fuse_a = Amps::new(10.0);
    assert_eq!(verdict(&desk(&k), "supply/main/opens-fuse"), Verdict::Caution);
}

#[test]
fn pins_say_where_and_what_to_mind() {
    let mut b = demo();
    b.adapter.oe_pull_up = false;
    b.adapter.oe = 4;
    assert_eq!(cautions(&b), "");
    b.adapter.oe = 25;
    assert!(cautions(&b).contains("OE is on GPIO 25") && cautions(&b).contains("boots"));
    b.adapter.oe_pull_up = true;
    assert_eq!(cautions(&b), "");
    b.adapter.buffer = Buffer::Hc;
    assert!(cautions(&b).contains("3.5 V"));
    b.adapter.buffer = Buffer::Hct;
    b.adapter.lat = 14;
    assert!(cautions(&b).contains("LAT (GPIO 14): the serial console"), "{}", cautions(&b));
    assert!(desk(&b).sound());

    let plan = pins(&demo());
    // GPIO 4 is pin 7 of the 40-pin header, GPIO 2 and 3 (bus 1) pins 3 and 5, GPIO 17 pin 11 (from memory)
    for (gpio, header) in [(4, 7), (2, 3), (3, 5), (17, 11)] {
        let row = plan.rows.iter().find(|r| r.gpio == gpio).unwrap();
        assert_eq!(row.header_pin, Some(header), "GPIO {gpio}");
        assert_eq!(row.reset_pull, if gpio <= 8 { "up" } else { "down" });
    }
    let mut places: Vec<_> = plan.rows.iter().filter_map(|r| r.header_pin).collect();
    places.sort_unstable();
    places.dedup();
    assert_eq!(places.len(), plan.rows.len(), "each line has a header pin of its own");
}
