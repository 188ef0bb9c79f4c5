//! Tickets: made, checked, tampered with; and zips from hostile hands.

use std::io::{Cursor, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

struct Home {
    dir: tempfile::TempDir,
}

impl Home {
    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }
    fn run(&self, args: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_signproof"))
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .env("STATE_DIRECTORY", self.path("state"))
            .args(args)
            .output()
            .unwrap()
    }
    fn ok(&self, args: &[&str]) -> String {
        let out = self.run(args);
        assert_eq!(out.status.code(), Some(0), "{args:?}\n{}{}", text(&out.stdout), text(&out.stderr));
        text(&out.stdout)
    }
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn str(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// One short run of the kiosk, a key, a signed and an unsigned ticket.
fn home() -> &'static Home {
    static ONCE: OnceLock<Home> = OnceLock::new();
    ONCE.get_or_init(|| {
        let home = Home { dir: tempfile::tempdir().unwrap() };
        let run = home.path("run");
        let out = home.run(&[
            "run",
            "config/kiosk.toml",
            "--rig",
            "sim",
            "--witness",
            "simulated",
            "--seed",
            "3",
            "--stages",
            "open,idle,marks,climb",
            "--by-hand",
            "polarity=yes",
            "--by-hand-who",
            "Robin Quay",
            "--out",
            str(&run),
        ]);
        assert_eq!(out.status.code(), Some(4), "{}", text(&out.stderr));
        home.ok(&["key"]);
        home.ok(&["ticket", str(&run), "-o", str(&home.path("signed.zip")), "--sign", "--symptom", "left half flickers when it rains"]);
        home.ok(&["ticket", str(&run), "-o", str(&home.path("plain.zip"))]);
        home
    })
}

fn members(zip: &Path) -> Vec<(String, Vec<u8>)> {
    let mut zip = ZipArchive::new(std::fs::File::open(zip).unwrap()).unwrap();
    (0..zip.len())
        .map(|i| {
            let mut m = zip.by_index(i).unwrap();
            let mut bytes = Vec::new();
            m.read_to_end(&mut bytes).unwrap();
            (m.name().unwrap().into_owned(), bytes)
        })
        .collect()
}

fn pack(members: &[(String, Vec<u8>)]) -> Vec<u8> {
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, bytes) in members {
        zip.start_file(name.as_str(), SimpleFileOptions::default()).unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

/// The manifest made to fit again, as a clever forger would.
fn remade(mut members: Vec<(String, Vec<u8>)>) -> Vec<(String, Vec<u8>)> {
    use sha2::{Digest, Sha256};
    let listed: String = members
        .iter()
        .filter(|m| !m.0.starts_with("MANIFEST"))
        .map(|(n, b)| format!("{}  {n}\n", Sha256::digest(b).iter().map(|x| format!("{x:02x}")).collect::<String>()))
        .collect();
    members.iter_mut().find(|m| m.0 == "MANIFEST.sha256").unwrap().1 = listed.into_bytes();
    members
}

fn verify(bytes: &[u8], more: &[&str]) -> (i32, String) {
    let home = home();
    let file = tempfile::NamedTempFile::new_in(home.dir.path()).unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    let mut args = vec!["verify", str(file.path())];
    args.extend(more);
    let out = home.run(&args);
    (out.status.code().unwrap(), text(&out.stdout) + &text(&out.stderr))
}

#[test]
fn a_ticket_proves_itself() {
    let home = home();
    let key = home.path("state").join("signproof.pub");
    let said = home.ok(&["verify", str(&home.path("signed.zip")), "--key", str(&key)]);
    for line in ["✔ manifest", "✔ signature: by the given key: signproof run", "✔ journal", "✔ judgement: judged again", "the ticket holds"]
    {
        assert!(said.contains(line), "{line}\n{said}");
    }
    assert!(said.starts_with("SIMULATED"));
    // without the owner's key the signature says little, and it is said so
    assert!(home.ok(&["verify", str(&home.path("signed.zip"))]).contains("◔ signature: fits the key inside the ticket"));
    assert!(home.ok(&["verify", str(&home.path("plain.zip"))]).contains("◔ signature: not signed"));
    let unsigned = home.run(&["verify", str(&home.path("plain.zip")), "--key", str(&key)]);
    assert_eq!(unsigned.status.code(), Some(1));
    let names: Vec<String> = members(&home.path("signed.zip")).into_iter().map(|m| m.0).collect();
    for name in
        ["report.html", "report.json", "readings.csv", "journal.jsonl", "build.toml", "board.json", "calibration.json", "symptom.txt"]
    {
        assert!(names.iter().any(|n| n == name), "{name}");
    }
}

#[test]
fn the_same_run_makes_the_same_bytes() {
    let home = home();
    home.ok(&["ticket", str(&home.path("run")), "-o", str(&home.path("again.zip"))]);
    assert!(std::fs::read(home.path("again.zip")).unwrap() == std::fs::read(home.path("plain.zip")).unwrap());
}

#[test]
fn the_key_is_kept_private_and_is_never_overwritten() {
    let home = home();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = std::fs::metadata(home.path("state").join("signproof.key")).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }
    assert_eq!(home.run(&["key"]).status.code(), Some(2));
    let public = std::fs::read_to_string(home.path("state").join("signproof.pub")).unwrap();
    assert_eq!(home.ok(&["key", "--show"]), public);
    let names: Vec<(String, Vec<u8>)> = members(&home.path("signed.zip"));
    let secret = std::fs::read(home.path("state").join("signproof.key")).unwrap();
    assert!(names.iter().all(|(_, b)| !b.windows(secret.len()).any(|w| w == secret)));
}

#[test]
fn every_changed_member_is_named() {
    let original = members(&home().path("plain.zip"));
    for (i, (name, _)) in original.iter().enumerate().filter(|(_, m)| m.0 != "MANIFEST.sha256") {
        let mut changed = original.clone();
        let middle = changed[i].1.len() / 2;
        changed[i].1[middle] ^= 1;
        let (code, said) = verify(&pack(&changed), &[]);
        assert_ne!(code, 0, "{name}");
        assert!(said.contains(&format!("{name} was changed")) || said.contains("ticket.json can't be read"), "{name}: {said}");
    }
}

#[test]
fn a_forged_report_is_found_by_judging_again() {
    let mut forged = members(&home().path("plain.zip"));
    let report = forged.iter_mut().find(|m| m.0 == "report.json").unwrap();
    report.1 = text(&report.1).replace("\"outcome\": \"incomplete\"", "\"outcome\": \"pass\"").into_bytes();
    let (code, said) = verify(&pack(&remade(forged)), &[]);
    assert_eq!(code, 1, "{said}");
    assert!(said.contains("✕ judgement") && said.contains("outcome pass in the ticket, incomplete from the journal"), "{said}");
}

#[test]
fn a_forged_journal_breaks_its_chain() {
    let mut forged = members(&home().path("plain.zip"));
    let journal = forged.iter_mut().find(|m| m.0 == "journal.jsonl").unwrap();
    let lines: Vec<String> = text(&journal.1).lines().map(str::to_owned).collect();
    journal.1 = lines.iter().enumerate().filter(|(i, _)| *i != 5).map(|(_, l)| format!("{l}\n")).collect::<String>().into_bytes();
    let (code, said) = verify(&pack(&remade(forged)), &[]);
    assert_eq!(code, 1, "{said}");
    assert!(said.contains("chain to the line before is broken"), "{said}");
}

#[test]
fn a_forger_cannot_sign() {
    let home = home();
    let key = home.path("state").join("signproof.pub");
    let mut forged = members(&home.path("signed.zip"));
    forged.iter_mut().find(|m| m.0 == "symptom.txt").unwrap().1 = b"works perfectly\n".to_vec();
    let (code, said) = verify(&pack(&remade(forged)), &["--key", str(&key)]);
    assert_eq!(code, 1);
    assert!(said.contains("✕ signature"), "{said}");
    // signed by another key
    let other = Home { dir: tempfile::tempdir().unwrap() };
    other.ok(&["key"]);
    let foreign = other.path("state").join("signproof.pub");
    let out = home.run(&["verify", str(&home.path("signed.zip")), "--key", str(&foreign)]);
    assert_eq!(out.status.code(), Some(1));
}

#[test]
fn redaction_takes_serials_names_and_site_out_and_still_verifies() {
    let home = home();
    let zip = home.path("redacted.zip");
    home.ok(&[
        "ticket",
        str(&home.path("run")),
        "-o",
        str(&zip),
        "--redact",
        "--redact-word",
        "single-board",
        "--symptom",
        "TK-0001 flickers",
    ]);
    let secrets = ["TK-0001", "Harbour steps", "ticket window", "Demonstration data", "single-board", "Robin Quay"];
    for (name, bytes) in members(&zip) {
        for secret in secrets {
            assert!(!text(&bytes).contains(secret), "{secret} is still in {name}");
        }
    }
    let printed = home.ok(&["ticket", str(&home.path("run")), "--text", "--redact", "--symptom", "TK-0001 flickers"]);
    assert!(!printed.contains("TK-0001") && !printed.contains("Harbour steps"), "{printed}");
    // they were there
    let all: String = members(&home.path("plain.zip")).into_iter().map(|(_, b)| text(&b)).collect();
    for secret in secrets {
        assert!(all.contains(secret), "{secret}");
    }
    let said = home.ok(&["verify", str(&zip)]);
    assert!(said.contains("✔ judgement"), "{said}");
}

#[test]
fn the_text_has_fifteen_lines_at_most() {
    let home = home();
    let said = home.ok(&["ticket", str(&home.path("run")), "--text", "--symptom", "two\nlines"]);
    assert!(said.lines().count() <= 15, "{said}");
    for word in ["SIMULATED", "TK-0001", "INCOMPLETE", "Symptom: two lines", "Build "] {
        assert!(said.contains(word), "{word}: {said}");
    }
    assert!(said.lines().all(|l| l.chars().count() <= 160));
}

#[test]
fn readings_read_back_as_rfc_4180() {
    let bytes = members(&home().path("plain.zip")).into_iter().find(|m| m.0 == "readings.csv").unwrap().1;
    let all = text(&bytes);
    assert!(all.starts_with("elapsed_s,stage,step,cycle,role,shown,sense_point,volts_V,current_A,temperature_degC,missing_because\r\n"));
    assert!(all.ends_with("\r\n") && all.matches('\n').count() == all.matches("\r\n").count());
    let report: serde_json::Value = serde_json::from_slice(&std::fs::read(home().path("run").join("report.json")).unwrap()).unwrap();
    let readings: u64 = report["supply"].as_array().unwrap().iter().map(|p| p["readings"].as_u64().unwrap()).sum();
    let mut reader = csv::Reader::from_reader(bytes.as_slice());
    let (mut rows, mut last) = (0, 0.0);
    for row in reader.records() {
        let row = row.unwrap();
        assert_eq!(row.len(), 11);
        let elapsed: f64 = row[0].parse().unwrap();
        assert!(elapsed >= 0.0);
        last = f64::max(last, elapsed);
        // exactly one of value and reason
        assert_eq!([7, 8, 9, 10].iter().filter(|i| !row[**i].is_empty()).count(), 1);
        rows += 1;
    }
    assert!(rows == readings && rows > 1000, "{rows} {readings}");
    assert!(last > 1.0);
}

#[test]
fn only_a_proven_whole_run_becomes_a_baseline() {
    let home = home();
    let cut = home.run(&["accept", str(&home.path("run")), "--reason", "looks fine"]);
    assert_eq!(cut.status.code(), Some(2));
    assert!(text(&cut.stderr).contains("cut to a part"));
    let whole = home.path("whole");
    let args = ["run", "config/kiosk.toml", "--rig", "sim", "--witness", "simulated", "--seed", "3", "--out", str(&whole)];
    assert!(matches!(home.run(&args).status.code(), Some(0 | 3)));
    // nothing accepted yet: said before the run starts
    let early: Vec<&str> = args[..8].iter().copied().chain(["--out", "x", "--baseline", "accepted"]).collect();
    let refused = home.run(&early);
    assert_eq!(refused.status.code(), Some(2), "{}", text(&refused.stderr));
    assert!(text(&refused.stderr).contains("no simulated run of this build"));
    assert_eq!(home.run(&["accept", str(&whole), "--reason", " "]).status.code(), Some(2));
    home.ok(&["accept", str(&whole), "--reason", "bench run, meter checked"]);
    let kept: Vec<String> =
        std::fs::read_dir(home.path("state/baselines")).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    assert!(kept.len() == 1 && kept[0].ends_with(".simulated.json"), "{kept:?}");
    // renamed to stand for a real one it is refused
    let file = home.path("state/baselines").join(&kept[0]);
    let as_real = home.path("state2/baselines").join(kept[0].replace(".simulated", ""));
    std::fs::create_dir_all(as_real.parent().unwrap()).unwrap();
    std::fs::copy(&file, &as_real).unwrap();
    let digest = kept[0].split('.').next().unwrap();
    let error = signproof::baseline::find(&home.path("state2"), digest, false).unwrap_err().to_string();
    assert!(error.contains("of the other kind"), "{error}");
    // the next run is compared with it, and its ticket re-judges with it
    let next = home.path("next");
    let more: Vec<&str> =
        args[..8].iter().copied().chain(["--out", str(&next), "--baseline", "accepted", "--stages", "open,idle,climb"]).collect();
    assert_eq!(home.run(&more).status.code(), Some(4));
    let report: serde_json::Value = serde_json::from_slice(&std::fs::read(next.join("report.json")).unwrap()).unwrap();
    assert!(report["comparison"]["rows"].as_array().unwrap().len() > 3);
    assert!(std::fs::read_to_string(next.join("report.html")).unwrap().contains("What changed since the baseline"));
    home.ok(&["ticket", str(&next), "-o", str(&home.path("next.zip"))]);
    assert!(home.ok(&["verify", str(&home.path("next.zip"))]).contains("✔ judgement"));
}

/// A member of a hand-made zip.
#[derive(Clone)]
struct Raw {
    name: &'static str,
    central_name: &'static str,
    packed: Vec<u8>,
    size: u32,
    stated_packed: Option<u32>,
    flags: u16,
    mode: u32,
    extra: Vec<u8>,
}

fn raw(name: &'static str, data: &[u8]) -> Raw {
    let size = u32::try_from(data.len()).unwrap();
    Raw { name, central_name: name, packed: deflated(data), size, stated_packed: None, flags: 0, mode: 0o100_644, extra: vec![] }
}

/// Raw deflate stream of some bytes, taken from a zip that the library made.
fn deflated(data: &[u8]) -> Vec<u8> {
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    zip.start_file("x", SimpleFileOptions::default()).unwrap();
    zip.write_all(data).unwrap();
    let bytes = zip.finish().unwrap().into_inner();
    let mut archive = ZipArchive::new(Cursor::new(&bytes)).unwrap();
    let mut out = Vec::new();
    archive.by_index_raw(0).unwrap().read_to_end(&mut out).unwrap();
    out
}

fn zip_of(list: &[Raw], comment: &[u8], prefix: &[u8]) -> Vec<u8> {
    let mut out = prefix.to_vec();
    let mut central = Vec::new();
    for m in list {
        let offset = u32::try_from(out.len()).unwrap();
        let packed = m.stated_packed.unwrap_or(u32::try_from(m.packed.len()).unwrap());
        let common = |name: &str| {
            let mut h = Vec::new();
            h.extend(m.flags.to_le_bytes());
            h.extend(8_u16.to_le_bytes());
            h.extend([0; 4]);
            h.extend([0; 4]); // checksum: wrong, but no hostile member gets as far as that
            h.extend(packed.to_le_bytes());
            h.extend(m.size.to_le_bytes());
            h.extend(u16::try_from(name.len()).unwrap().to_le_bytes());
            h.extend(u16::try_from(m.extra.len()).unwrap().to_le_bytes());
            h
        };
        out.extend(0x0403_4b50_u32.to_le_bytes());
        out.extend(20_u16.to_le_bytes());
        out.extend(common(m.name));
        out.extend(m.name.as_bytes());
        out.extend(&m.extra);
        out.extend(&m.packed);
        central.extend(0x0201_4b50_u32.to_le_bytes());
        central.extend([20, 3, 20, 0]);
        central.extend(common(m.central_name));
        central.extend([0; 6]);
        central.extend((m.mode << 16).to_le_bytes());
        central.extend(offset.to_le_bytes());
        central.extend(m.central_name.as_bytes());
        central.extend(&m.extra);
    }
    let (offset, size, count) = (out.len(), central.len(), u16::try_from(list.len()).unwrap());
    out.extend(central);
    out.extend(0x0605_4b50_u32.to_le_bytes());
    out.extend([0; 4]);
    out.extend(count.to_le_bytes());
    out.extend(count.to_le_bytes());
    out.extend(u32::try_from(size).unwrap().to_le_bytes());
    out.extend(u32::try_from(offset).unwrap().to_le_bytes());
    out.extend(u16::try_from(comment.len()).unwrap().to_le_bytes());
    out.extend(comment);
    out
}

/// `verify` with 64 MiB of address space; exit code, words, seconds.
fn under_limits(bytes: &[u8]) -> (Option<i32>, String, f64) {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    let start = std::time::Instant::now();
    let out = Command::new("bash")
        .args(["-c", "ulimit -v 65536 && exec \"$0\" verify \"$1\"", env!("CARGO_BIN_EXE_signproof"), str(file.path())])
        .output()
        .unwrap();
    (out.status.code(), text(&out.stdout) + &text(&out.stderr), start.elapsed().as_secs_f64())
}

/// A sound ticket with one bit of a member's checksum changed, in the directory and before the member.
fn wrong_checksum(zip: &[u8]) -> Vec<u8> {
    let mut out = zip.to_vec();
    let mut changed = 0;
    for (mark, at, name_at) in [(0x0403_4b50_u32, 14, 30), (0x0201_4b50, 16, 46)] {
        for i in 0..out.len() - 60 {
            if out[i..i + 4] == mark.to_le_bytes() && out[i + name_at..].starts_with(b"report.json") {
                out[i + at] ^= 1;
                changed += 1;
            }
        }
    }
    assert_eq!(changed, 2);
    out
}

/// A ticket one of whose members is as large as can be, stored so that no ratio gives it away, with a manifest that fits.
fn great(name: &str, line: &[u8]) -> Vec<u8> {
    let most = signproof::ticket::MEMBERS.iter().find(|m| m.0 == name).unwrap().1 as usize;
    let mut list = members(&home().path("plain.zip"));
    list.iter_mut().find(|m| m.0 == name).unwrap().1 = line.iter().copied().cycle().take(most.min(100 << 20)).collect();
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (own, bytes) in remade(list) {
        let method = if own == name { zip::CompressionMethod::Stored } else { zip::CompressionMethod::Deflated };
        zip.start_file(own.as_str(), SimpleFileOptions::default().compression_method(method)).unwrap();
        zip.write_all(&bytes).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

#[test]
fn hostile_zips_are_refused_within_64_mib_and_2_s() {
    let plain = raw("build.toml", b"x");
    let huge = deflated(&vec![0; 64 << 20]);
    let zip64 = {
        let mut extra = vec![1, 0, 16, 0];
        extra.extend((10_u64 << 30).to_le_bytes());
        extra.extend((10_u64 << 30).to_le_bytes());
        extra
    };
    let with = |change: &dyn Fn(&mut Raw)| {
        let mut m = plain.clone();
        change(&mut m);
        m
    };
    let named = |name: &'static str| with(&|m| (m.name, m.central_name) = (name, name));
    let sound = zip_of(std::slice::from_ref(&plain), b"", b"");
    let mut overlapping = zip_of(&[plain.clone(), raw("board.json", b"y")], b"", b"");
    let second = overlapping.windows(4).rposition(|w| w == 0x0201_4b50_u32.to_le_bytes()).unwrap();
    overlapping[second + 42..second + 46].copy_from_slice(&0_u32.to_le_bytes());
    let mut many = sound.clone();
    let end = many.len() - 22;
    many[end + 8..end + 12].copy_from_slice(&[0xff; 4]);
    let mut split = sound.clone();
    split[end + 4] = 1;
    let crowd: Vec<Raw> = (0..3000).map(|_| plain.clone()).collect();
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        (
            "bomb",
            zip_of(
                &[with(&|m| (m.name, m.central_name, m.packed, m.size) = ("readings.csv", "readings.csv", huge.clone(), 64 << 20))],
                b"",
                b"",
            ),
            "times its size",
        ),
        (
            "bomb that states little",
            zip_of(
                &[with(&|m| (m.name, m.central_name, m.packed, m.size) = ("MANIFEST.sha256", "MANIFEST.sha256", huge.clone(), 100))],
                b"",
                b"",
            ),
            "allowed",
        ),
        ("4 GB stated", zip_of(&[with(&|m| m.size = u32::MAX - 1)], b"", b""), "allowed"),
        (
            "10 GB stated",
            zip_of(&[with(&|m| (m.size, m.stated_packed, m.extra) = (u32::MAX, Some(u32::MAX), zip64.clone()))], b"", b""),
            "allowed",
        ),
        ("traversal", zip_of(&[named("../../etc/passwd")], b"", b""), "no ticket has"),
        ("absolute", zip_of(&[named("/etc/passwd")], b"", b""), "no ticket has"),
        ("backslash", zip_of(&[named("..\\evil")], b"", b""), "no ticket has"),
        ("folder", zip_of(&[named("build.toml/")], b"", b""), "no ticket has"),
        ("control characters", zip_of(&[named("\u{1b}[2Jx")], b"", b""), "`?[2Jx`"),
        ("link", zip_of(&[with(&|m| m.mode = 0o120_777)], b"", b""), "link"),
        ("device", zip_of(&[with(&|m| m.mode = 0o020_666)], b"", b""), "link or another thing"),
        ("twice", zip_of(&[plain.clone(), plain.clone()], b"", b""), "there twice"),
        ("two names", zip_of(&[with(&|m| m.name = "board.json")], b"", b""), "two names"),
        ("encrypted", zip_of(&[with(&|m| m.flags = 1)], b"", b""), "encrypted"),
        ("size behind the data", zip_of(&[with(&|m| m.flags = 8)], b"", b""), "packed in a way"),
        ("overlapping", overlapping, "overlaps"),
        ("hidden before", zip_of(std::slice::from_ref(&plain), b"", b"MZ hidden"), "hides something before"),
        ("comment", zip_of(std::slice::from_ref(&plain), b"PK\x05\x06 another end", b""), "added behind it"),
        ("added behind", [sound.clone(), b"more".to_vec()].concat(), "added behind it"),
        ("65535 members", many, "members where a ticket has"),
        ("3000 members", zip_of(&crowd, b"", b""), "members where a ticket has"),
        ("split", split, "split"),
        ("cut off", sound[..sound.len() - 5].to_vec(), "refused"),
        ("nothing", Vec::new(), "too short"),
        ("not a zip", vec![b'x'; 100_000], "not a zip"),
        ("little in it", sound.clone(), "it has no ticket.json"),
        (
            "bomb in a bomb",
            zip_of(&[raw("report.html", &zip_of(&[raw("x", &vec![0; 1 << 20])], b"", b"")), named("inner.zip")], b"", b""),
            "no ticket has",
        ),
        ("wrong checksum", wrong_checksum(&std::fs::read(home().path("plain.zip")).unwrap()), "report.json can't be inflated"),
        ("a journal of the greatest size, of lines that are none", great("journal.jsonl", b"{\"a\":0}\n"), "line 1: not a journal line"),
        ("a journal of the greatest size, of one line", great("journal.jsonl", b"["), "line 1: the line was cut off"),
        ("readings as large as can be", great("readings.csv", b"0,0\r\n"), "more than the"),
    ];
    for (name, bytes, words) in cases {
        let (code, said, seconds) = under_limits(&bytes);
        // what has the structure of a ticket is answered with what does not hold, anything else is refused unread
        let structured = name.starts_with("a journal of");
        assert_eq!(code, Some(if structured { 1 } else { 2 }), "{name}: {said}");
        assert!((structured || said.contains("refused")) && said.contains(words), "{name}: {said}");
        assert!(!said.contains('\u{1b}'), "{name}");
        assert!(seconds < 2.0, "{name}: {seconds} s");
    }
    // sparse and larger than any ticket: not read at all
    let file = tempfile::NamedTempFile::new().unwrap();
    file.as_file().set_len(10 << 30).unwrap();
    let out = Command::new(env!("CARGO_BIN_EXE_signproof")).args(["verify", str(file.path())]).output().unwrap();
    assert!(out.status.code() == Some(2) && text(&out.stderr).contains("more than any ticket has"));
}

#[test]
fn a_member_that_inflates_beyond_its_word_is_refused() {
    // every member is there, and the manifest's stream is a megabyte where its directory states the true size
    let list = members(&home().path("plain.zip"));
    let raws: Vec<Raw> = list
        .iter()
        .map(|(name, bytes)| {
            let name: &'static str = Box::leak(name.clone().into_boxed_str());
            let mut m = raw(name, bytes);
            if name == "MANIFEST.sha256" {
                m.packed = deflated(&vec![0; 1 << 20]);
            }
            m
        })
        .collect();
    let (code, said, seconds) = under_limits(&zip_of(&raws, b"", b""));
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("inflates to more than") || said.contains("can't be inflated"), "{said}");
    assert!(seconds < 2.0);
}
