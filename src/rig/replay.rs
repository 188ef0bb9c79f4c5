//! A rig that gives back what another one gave while it was recorded. It drives nothing.

use super::tape::{Done, FORMAT, LINE_MAX, Line, checksum, ns};
use super::{Clock, Health, Meter, Output, Rig, RigError, Witness};
use crate::build::Build;
use crate::event::{Answer, BoardFacts, Checklist, HandReading, Question, Stamp};
use crate::frame::Frame;
use crate::scan::ScanProgram;
use crate::units::{NoReading, Reading};
use std::cell::RefCell;
use std::io::{BufRead, Read};
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

/// Time that passes at each look at the clock once the record does not fit any more, so that every deadline ends.
const LOST_NS: u64 = 10_000_000;

/// The record as it is read, line by line: a line of any length or a file of any size needs no more memory than [`LINE_MAX`].
struct Player<R> {
    lines: R,
    number: usize,
    format: u32,
    /// Read, but not asked for yet.
    ahead: Option<Line>,
    /// Why it does not fit.
    lost: Option<String>,
    now: Stamp,
    read_ns: Vec<u64>,
}

/// The next line; `None` at the end.
fn line(lines: &mut impl BufRead) -> Result<Option<Line>, String> {
    let mut bytes = Vec::new();
    lines.by_ref().take(LINE_MAX + 1).read_until(b'\n', &mut bytes).map_err(|e| e.to_string())?;
    if bytes.is_empty() {
        return Ok(None);
    }
    if bytes.last() != Some(&b'\n') {
        let why = if bytes.len() as u64 > LINE_MAX { format!("is longer than {LINE_MAX} bytes") } else { "is cut off".to_owned() };
        return Err(why);
    }
    serde_json::from_slice(&bytes).map(Some).map_err(|e| format!("is not of a record: {e}"))
}

impl<R: BufRead> Player<R> {
    fn next(&mut self, asked: &str) -> Option<Line> {
        if self.lost.is_some() {
            return None;
        }
        if let Some(line) = self.ahead.take() {
            return Some(line);
        }
        self.number += 1;
        match line(&mut self.lines) {
            Ok(Some(line)) => return Some(line),
            Ok(None) => self.lost = Some(format!("the record ends after {} lines, but the run goes on with {asked}", self.number - 1)),
            Err(why) => self.lost = Some(format!("line {} {why}", self.number)),
        }
        None
    }

    /// The next line, left where it is.
    fn peek(&mut self, asked: &str) -> Option<&Line> {
        self.ahead = self.next(asked);
        self.ahead.as_ref()
    }

    fn lose(&mut self, asked: &str, line: &Line) {
        let why = format!("line {}: the run is at {asked}, the record at {}", self.number, line.words());
        self.lost = Some(why);
    }

    /// The next line where `take` finds in it what was asked for.
    fn call<T>(&mut self, asked: &str, take: impl FnOnce(&Line) -> Option<T>) -> Option<T> {
        let line = self.next(asked)?;
        let found = take(&line);
        if found.is_none() {
            self.lose(asked, &line);
        }
        found
    }

    fn done(&mut self, asked: &str, take: impl FnOnce(&Line) -> Option<Done>) -> Done {
        match self.call(asked, take) {
            Some(done) => done,
            None => Err(RigError {
                what: "replaying a record".to_owned(),
                why: self.lost.clone().unwrap_or_default(),
                todo: "replay it with the build, cuts, witness and version that it was recorded with".to_owned(),
            }),
        }
    }
}

type Shared<R> = Rc<RefCell<Player<R>>>;

struct Replayed<R>(Shared<R>);

impl<R> Clone for Replayed<R> {
    fn clone(&self) -> Self {
        Self(Rc::clone(&self.0))
    }
}

/// Opens a record of a run of this build.
///
/// # Errors
/// Where it is not a record, of another version, or of another build.
pub fn rig(build: &Build, mut lines: impl BufRead + 'static) -> Result<Rig, String> {
    let (format, read_ns) = match line(&mut lines) {
        Ok(Some(Line::RigRecord { format, .. })) if format > FORMAT => {
            return Err(format!("format {format}; this version reads up to {FORMAT}: replay it with a newer one"));
        }
        Ok(Some(Line::RigRecord { build: digest, .. })) if digest != build.digest() => {
            return Err("it is the record of another build; name the build file that it was recorded with".to_owned());
        }
        Ok(Some(Line::RigRecord { format, read_ns, .. })) if read_ns.len() == build.sense.len() => (format, read_ns),
        Ok(Some(_)) => return Err("its first line is not that of a record".to_owned()),
        Ok(None) => return Err("it is empty".to_owned()),
        Err(why) => return Err(format!("its first line {why}")),
    };
    let now = Stamp { mono_ns: 0, unix_ms: 0, synced: false };
    let player = Replayed(Rc::new(RefCell::new(Player { lines, number: 1, format, ahead: None, lost: None, now, read_ns })));
    Ok(Rig {
        name: "replay".to_owned(),
        // no sign is attached now
        simulated: true,
        output: Box::new(player.clone()),
        meter: Box::new(player.clone()),
        clock: Box::new(player.clone()),
        health: Box::new(player.clone()),
        witness: Box::new(player),
    })
}

impl<R: BufRead> Output for Replayed<R> {
    fn claim(&mut self) -> Done {
        self.0.borrow_mut().done("taking the lines", |line| if let Line::Claim(done) = line { Some(done.clone()) } else { None })
    }
    fn show(&mut self, program: &Arc<ScanProgram>) -> Done {
        let sum = checksum(program);
        let take = |line: &Line| match line {
            Line::Show(recorded, done) if *recorded == sum => Some(done.clone()),
            _ => None,
        };
        self.0.borrow_mut().done(&format!("showing the frame {sum:08x}"), take)
    }
    fn blank(&mut self) -> Done {
        let mut player = self.0.borrow_mut();
        let done = player.call("blanking", |line| if let Line::Blank(done) = line { Some(done.clone()) } else { None });
        // nothing is lit, whatever the record says; that it does not fit is said by the next check
        done.unwrap_or(Ok(()))
    }
    fn check(&mut self) -> Done {
        let take = |line: &Line| if let Line::Check(done) = line { Some(done.clone()) } else { None };
        self.0.borrow_mut().done("looking whether the frame is shown", take)
    }
}

impl<R: BufRead> Meter for Replayed<R> {
    fn identify(&mut self, point: usize) -> Reading<String> {
        let take = |line: &Line| match line {
            Line::Identify(recorded, found) if *recorded == point => Some(found.clone()),
            _ => None,
        };
        self.0.borrow_mut().call(&format!("identifying sense point {point}"), take).unwrap_or(Err(NoReading::NotPresent))
    }
    fn read(&mut self, point: usize) -> Reading<f64> {
        let take = |line: &Line| match line {
            Line::Read(recorded, value) if *recorded == point => Some(*value),
            _ => None,
        };
        self.0.borrow_mut().call(&format!("reading sense point {point}"), take).unwrap_or(Err(NoReading::NotPresent))
    }
    fn read_time(&self, point: usize) -> Duration {
        Duration::from_nanos(self.0.borrow().read_ns.get(point).copied().unwrap_or_default())
    }
}

impl<R: BufRead> Clock for Replayed<R> {
    fn now(&self) -> Stamp {
        let mut player = self.0.borrow_mut();
        let found = player.call("asking the time", |line| if let Line::Now(now) = line { Some(*now) } else { None });
        let lost = Stamp {
            mono_ns: player.now.mono_ns.saturating_add(LOST_NS),
            unix_ms: player.now.unix_ms.saturating_add((LOST_NS / 1_000_000) as i64),
            ..player.now
        };
        player.now = found.unwrap_or(lost);
        player.now
    }
    fn sleep(&mut self, time: Duration) {
        let ns = ns(time);
        let take = |line: &Line| matches!(line, Line::Sleep(recorded) if *recorded == ns).then_some(());
        let mut player = self.0.borrow_mut();
        if player.call(&format!("waiting {:.3} s", time.as_secs_f64()), take).is_none() {
            player.now.mono_ns = player.now.mono_ns.saturating_add(ns);
        }
    }
}

impl<R: BufRead> Health for Replayed<R> {
    fn read(&mut self) -> BoardFacts {
        let take = |line: &Line| if let Line::Health(facts) = line { Some((**facts).clone()) } else { None };
        self.0.borrow_mut().call("reading the controller's state", take).unwrap_or_default()
    }
}

impl<R: BufRead> Replayed<R> {
    /// A person's answer; before it, what was read while the person thought.
    fn answered<T>(&self, asked: &str, idle: &mut dyn FnMut() -> bool, take: impl Fn(&Line) -> Option<T>) -> Option<T> {
        let is_answer = |line: &Line| matches!(line, Line::Ask(..) | Line::Joint(_));
        // borrowed for the look alone: `idle` asks the record too
        while self.0.borrow_mut().peek(asked).is_some_and(|line| !is_answer(line)) {
            if !idle() {
                break;
            }
        }
        self.0.borrow_mut().call(asked, take)
    }
}

impl<R: BufRead> Witness for Replayed<R> {
    fn ask(&mut self, question: &Question, _expected: &Frame, idle: &mut dyn FnMut() -> bool) -> Answer {
        let take = |line: &Line| match line {
            Line::Ask(recorded, answer) if *recorded == question.text => Some(answer.clone()),
            _ => None,
        };
        self.answered(&format!("asking {:?}", question.text), idle, take).unwrap_or(Answer::Absent)
    }
    fn before_power(&mut self, _build: &Build) -> Option<Checklist> {
        let mut player = self.0.borrow_mut();
        let asked = "taking the checklist";
        if !matches!(player.peek(asked), Some(Line::BeforePower(_))) {
            return None;
        }
        player.call(asked, |line| if let Line::BeforePower(list) = line { Some((**list).clone()) } else { None })
    }
    fn hottest_joint(&mut self, idle: &mut dyn FnMut() -> bool) -> Option<(HandReading, String)> {
        if self.0.borrow().format < 2 {
            return None;
        }
        let take = |line: &Line| if let Line::Joint(joint) = line { Some(joint.clone()) } else { None };
        self.answered("asking for the hottest joint", idle, take).flatten()
    }
}
