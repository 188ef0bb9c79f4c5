//! The witness at the terminal.

use super::by_hand;
use crate::build::Build;
use crate::event::{Answer, Checklist, Difference, HandReading, Question, Seen};
use crate::frame::Frame;
use crate::rig::Witness;
use std::io::{BufRead, IsTerminal, Write};

/// Asks on stderr, reads answers from stdin. End of input means nobody is there.
pub struct Terminal;

const HELP: &str = "  y = as described; or one line per panel that differs, then an empty line:
  PORT.POSITION dark | turned 90|180|270 | shows PORT.POSITION | any words";

impl Witness for Terminal {
    fn ask(&mut self, question: &Question, _expected: &Frame) -> Answer {
        let mut err = std::io::stderr().lock();
        let _ = writeln!(err, "\n{}\n{HELP}", question.text);
        let mut differences = Vec::new();
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else { return Answer::Absent };
            let line = line.trim();
            match line {
                "y" | "yes" => return Answer::AsShown,
                "" if !differences.is_empty() => return Answer::Differs(differences),
                "" => {}
                _ => match parse(line) {
                    Some(d) => differences.push(d),
                    None => {
                        let _ = writeln!(err, "not understood: {line}\n{HELP}");
                    }
                },
            }
        }
        if differences.is_empty() { Answer::Absent } else { Answer::Differs(differences) }
    }
    fn before_power(&mut self, build: &Build) -> Option<Checklist> {
        // a script that pipes answers about the wall is not asked for more
        if !std::io::stdin().is_terminal() {
            return None;
        }
        let now = crate::rig::wall_now();
        by_hand::ask(build, &now, &mut std::io::stdin().lock(), &mut std::io::stderr().lock())
    }
    fn hottest_joint(&mut self) -> Option<(HandReading, String)> {
        if !std::io::stdin().is_terminal() {
            return None;
        }
        by_hand::ask_joint(&mut std::io::stdin().lock(), &mut std::io::stderr().lock())
    }
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
    fn answers_are_understood() {
        assert_eq!(parse("1.2 dark"), Some(Difference { port: 1, position: 2, seen: Seen::Dark }));
        assert_eq!(parse("2.1 turned 180"), Some(Difference { port: 2, position: 1, seen: Seen::Turned { degrees: 180 } }));
        assert_eq!(parse("1.1 shows 2.3"), Some(Difference { port: 1, position: 1, seen: Seen::PictureOf { port: 2, position: 3 } }));
        assert_eq!(parse("1.1 two green dots"), Some(Difference { port: 1, position: 1, seen: Seen::Other("two green dots".to_owned()) }));
        assert_eq!(parse("dark"), None);
        assert_eq!(parse("x.1 dark"), None);
    }
}
