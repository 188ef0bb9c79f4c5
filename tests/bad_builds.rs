//! Every file of `tests/bad_builds` is refused with exactly the text beside it.
//! `UPDATE=1 cargo test --test bad_builds` rewrites the texts; read each before committing it.

use std::path::Path;

#[test]
fn every_bad_build_is_refused_with_its_own_text() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad_builds");
    let mut names: Vec<_> =
        std::fs::read_dir(&folder).unwrap().map(|e| e.unwrap().path()).filter(|p| p.extension().is_some_and(|e| e == "toml")).collect();
    names.sort();
    assert!(names.len() >= 40, "only {} files in {}", names.len(), folder.display());
    let mut wrong = Vec::new();
    for path in names {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let source = std::fs::read_to_string(&path).unwrap();
        let Err(problems) = signproof::build::load(&source, &name) else {
            wrong.push(format!("{name} was accepted"));
            continue;
        };
        for p in problems.list() {
            assert!(p.line >= 1 && p.column >= 1, "{name}: a problem without a place: {p:?}");
        }
        let text = problems.render(false);
        let golden = path.with_extension("txt");
        if std::env::var_os("UPDATE").is_some() {
            std::fs::write(&golden, &text).unwrap();
        } else if std::fs::read_to_string(&golden).unwrap_or_default() != text {
            wrong.push(format!("{name} now says:\n{text}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
