//! The witness at the terminal.

use super::by_hand;
use crate::build::Build;
use crate::drawing;
use crate::event::{Answer, Checklist, Difference, HandReading, Question, Seen, Whereabouts};
use crate::frame::Frame;
use crate::rig::Witness;
use std::io::{BufRead, IsTerminal};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::Duration;

/// Between two lines the interlock looks this often. What is typed ahead is taken without a look.
const LOOK: Duration = Duration::from_millis(50);

/// Asks on stderr, reads answers from stdin. End of input means nobody is there.
#[derive(Default)]
pub struct Terminal {
    /// Lines from stdin, which blocks: read by a thread of its own from the first question on.
    lines: Option<mpsc::Receiver<String>>,
}

impl Terminal {
    /// The next line; `None` at the end of input, or where `idle` withdraws the question.
    fn line(&mut self, idle: &mut dyn FnMut() -> bool) -> Option<String> {
        let lines = self.lines.get_or_insert_with(|| read_ahead(std::io::BufReader::new(std::io::stdin())));
        wait(lines, idle)
    }
}

fn read_ahead(input: impl BufRead + Send + 'static) -> mpsc::Receiver<String> {
    let (sender, receiver) = mpsc::channel();
    std::thread::spawn(move || input.lines().map_while(Result::ok).try_for_each(|line| sender.send(line)));
    receiver
}

fn wait(lines: &mpsc::Receiver<String>, idle: &mut dyn FnMut() -> bool) -> Option<String> {
    loop {
        match lines.recv_timeout(LOOK) {
            Ok(line) => return Some(line),
            Err(RecvTimeoutError::Disconnected) => return None,
            Err(RecvTimeoutError::Timeout) if !idle() => return None,
            Err(RecvTimeoutError::Timeout) => {}
        }
    }
}

const HELP: &str = "  y = as described; or one line per panel that differs, then an empty line:
  PORT.POSITION dark | turned 90|180|270 | shows PORT.POSITION | any words";

impl Witness for Terminal {
    fn ask(&mut self, question: &Question, _expected: &Frame, idle: &mut dyn FnMut() -> bool) -> Answer {
        say!("\n{}\n{HELP}", question.text);
        let mut differences = Vec::new();
        while let Some(line) = self.line(idle) {
            let line = line.trim();
            match line {
                "y" | "yes" => return Answer::AsShown,
                "" if !differences.is_empty() => return Answer::Differs(differences),
                "" => {}
                _ => match parse(line) {
                    Some(d) => differences.push(d),
                    None => say!("not understood: {line}\n{HELP}"),
                },
            }
        }
        if differences.is_empty() { Answer::Absent } else { Answer::Differs(differences) }
    }
    fn where_is(&mut self, build: &Build, question: &Question, _mark: &Frame, idle: &mut dyn FnMut() -> bool) -> Whereabouts {
        say!("\n{}\n{}", question.text, places_text(build));
        while let Some(line) = self.line(idle) {
            match parse_place(build, &line) {
                Ok(seen) => return seen,
                Err(why) => say!("  {why}"),
            }
        }
        Whereabouts::Absent
    }
    fn before_power(&mut self, build: &Build) -> Option<Checklist> {
        // a script that pipes answers about the wall is not asked for more
        if !std::io::stdin().is_terminal() {
            return None;
        }
        let now = crate::rig::wall_now();
        // nothing is lit yet
        by_hand::ask(build, &now, &mut || self.line(&mut || true), &mut std::io::stderr())
    }
    fn hottest_joint(&mut self, idle: &mut dyn FnMut() -> bool) -> Option<(HandReading, String)> {
        if !std::io::stdin().is_terminal() {
            return None;
        }
        by_hand::ask_joint(&mut || self.line(idle), &mut std::io::stderr())
    }
}

/// The places of the wall with their numbers, row by row, and how to answer.
fn places_text(build: &Build) -> String {
    let mut out = String::from("  places, from the front, by their numbers:");
    let mut row = None;
    for (k, panel) in drawing::places(build).into_iter().enumerate() {
        let [x, y] = build.panels[panel].at;
        if row != Some(y) {
            out.push_str(&format!("\n   {y:>5} pixels down: "));
            row = Some(y);
        }
        out.push_str(&format!(" {} (from {x})", k + 1));
    }
    out + "\n  answer PLACE up|right|down|left (where the arrow points), or: none"
}

fn parse_place(build: &Build, line: &str) -> Result<Whereabouts, String> {
    let words: Vec<String> = line.split_whitespace().map(str::to_lowercase).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let places = drawing::places(build);
    let (number, way) = match words[..] {
        ["none"] => return Ok(Whereabouts::Nowhere),
        [number, way] => (number, way),
        _ => return Err("answer for example `3 up`, or `none`".to_owned()),
    };
    let degrees = match way {
        "up" => 0,
        "right" => 90,
        "down" => 180,
        "left" => 270,
        _ => return Err(format!("`{way}`: the arrow points up, right, down or left")),
    };
    let index = number.parse::<usize>().ok().and_then(|n| n.checked_sub(1));
    let panel = index.and_then(|i| places.get(i)).ok_or_else(|| format!("`{number}`: places are 1 to {}", places.len()))?;
    Ok(Whereabouts::At { at: build.panels[*panel].at, degrees })
}

fn place(word: &str) -> Option<(u8, u8)> {
    let (port, position) = word.split_once('.')?;
    Some((port.parse().ok()?, position.parse().ok()?))
}

fn parse(line: &str) -> Option<Difference> {
    let (at, said) = line.split_once(' ')?;
    let (port, position) = place(at)?;
    let said = said.trim();
    let mut words = said.split_whitespace();
    let seen = match (words.next()?, words.next()) {
        ("dark", None) => Seen::Dark,
        ("turned", Some(degrees @ ("90" | "180" | "270"))) => Seen::Turned { degrees: degrees.parse().ok()? },
        ("shows", Some(other)) => {
            let (port, position) = place(other)?;
            Seen::PictureOf { port, position }
        }
        _ => Seen::Other(said.to_owned()),
    };
    Some(Difference { port, position, seen })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn looks_go_on_until_a_line_comes_and_a_withdrawn_question_ends() {
        let (sender, lines) = mpsc::channel();
        let mut looks = 0;
        let said = wait(&lines, &mut || {
            looks += 1;
            if looks == 3 {
                sender.send("y".to_owned()).unwrap();
            }
            true
        });
        assert_eq!((said.as_deref(), looks), (Some("y"), 3));
        assert_eq!(wait(&lines, &mut || false), None, "withdrawn");
        drop(sender);
        assert_eq!(wait(&lines, &mut || panic!("the end of input is no reason to look")), None);
        let piped = read_ahead(&b"y\n1.2 dark\n"[..]);
        let mut all = std::iter::from_fn(|| wait(&piped, &mut || true));
        assert_eq!((all.next().as_deref(), all.next().as_deref(), all.next()), (Some("y"), Some("1.2 dark"), None));
    }

    #[test]
    fn places_are_understood() {
        let build = crate::build::load(include_str!("../../config/water-taxi.toml"), "water-taxi.toml").unwrap();
        let read = |line: &str| parse_place(&build, line);
        assert_eq!(read("3 up"), Ok(Whereabouts::At { at: [128, 0], degrees: 0 }));
        assert_eq!(read(" 4  Down "), Ok(Whereabouts::At { at: [0, 32], degrees: 180 }));
        assert_eq!(read("none"), Ok(Whereabouts::Nowhere));
        for bad in ["7 up", "0 up", "3", "3 north", "", "1.1 up"] {
            assert!(read(bad).is_err(), "{bad}");
        }
        assert!(places_text(&build).contains("32 pixels down:  4 (from 0) 5 (from 64) 6 (from 128)"), "{}", places_text(&build));
    }

    #[test]
    fn answers_are_understood() {
        assert_eq!(parse("1.2 dark"), Some(Difference { port: 1, position: 2, seen: Seen::Dark }));
        assert_eq!(parse("2.1 turned 180"), Some(Difference { port: 2, position: 1, seen: Seen::Turned { degrees: 180 } }));
        assert_eq!(parse("1.1 shows 2.3"), Some(Difference { port: 1, position: 1, seen: Seen::PictureOf { port: 2, position: 3 } }));
        assert_eq!(parse("1.1 two green dots"), Some(Difference { port: 1, position: 1, seen: Seen::Other("two green dots".to_owned()) }));
        assert_eq!(parse("dark"), None);
        assert_eq!(parse("x.1 dark"), None);
    }
}
