//! A rig that writes down all that a run asks of it and what came back.

use super::tape::{Done, FORMAT, Line, checksum, ns};
use super::{Clock, Health, Meter, Output, Rig, RigError, Witness};
use crate::build::Build;
use crate::event::{Answer, BoardFacts, Checklist, HandReading, Question, Stamp};
use crate::frame::Frame;
use crate::scan::ScanProgram;
use crate::units::Reading;
use std::cell::RefCell;
use std::io::{BufWriter, Write};
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

/// Where the lines go. What could not be written is an error of the next check of the output: a run is not recorded in part and called whole.
struct Tape {
    file: BufWriter<Box<dyn Write>>,
    failed: Option<std::io::Error>,
}

impl Tape {
    fn put(&mut self, line: &Line) {
        if self.failed.is_none() {
            let written = serde_json::to_writer(&mut self.file, line).map_err(std::io::Error::from);
            self.failed = written.and_then(|()| self.file.write_all(b"\n")).err();
        }
    }
    fn flush(&mut self) {
        if self.failed.is_none() {
            self.failed = self.file.flush().err();
        }
    }
}

type Shared = Rc<RefCell<Tape>>;

struct Recorded<T> {
    inner: T,
    tape: Shared,
}

impl<T> Recorded<T> {
    fn put(&self, line: Line) {
        self.tape.borrow_mut().put(&line);
    }
}

/// Wraps a rig; its name and what it drives stay the same.
///
/// # Errors
/// Where the first line can't be written.
pub fn record(rig: Rig, build: &Build, file: impl Write + 'static) -> std::io::Result<Rig> {
    let mut tape = Tape { file: BufWriter::new(Box::new(file)), failed: None };
    let read_ns = (0..build.sense.len()).map(|point| ns(rig.meter.read_time(point))).collect();
    tape.put(&Line::RigRecord { format: FORMAT, build: build.digest(), rig: rig.name.clone(), read_ns });
    tape.flush();
    if let Some(error) = tape.failed {
        return Err(error);
    }
    let tape = Rc::new(RefCell::new(tape));
    Ok(Rig {
        name: rig.name,
        simulated: rig.simulated,
        output: Box::new(Recorded { inner: rig.output, tape: Rc::clone(&tape) }),
        meter: Box::new(Recorded { inner: rig.meter, tape: Rc::clone(&tape) }),
        clock: Box::new(Recorded { inner: rig.clock, tape: Rc::clone(&tape) }),
        health: Box::new(Recorded { inner: rig.health, tape: Rc::clone(&tape) }),
        witness: Box::new(Recorded { inner: rig.witness, tape }),
    })
}

impl Output for Recorded<Box<dyn Output>> {
    fn claim(&mut self) -> Done {
        let done = self.inner.claim();
        self.put(Line::Claim(done.clone()));
        done
    }
    fn show(&mut self, program: &Arc<ScanProgram>) -> Done {
        let done = self.inner.show(program);
        self.put(Line::Show(checksum(program), done.clone()));
        done
    }
    fn blank(&mut self) -> Done {
        let done = self.inner.blank();
        self.put(Line::Blank(done.clone()));
        self.tape.borrow_mut().flush();
        done
    }
    fn check(&mut self) -> Done {
        let done = self.inner.check();
        self.put(Line::Check(done.clone()));
        if let Some(error) = &self.tape.borrow().failed {
            return Err(RigError {
                what: "recording the run".to_owned(),
                why: error.to_string(),
                todo: "make room on the storage, or run without --record".to_owned(),
            });
        }
        done
    }
}

impl Meter for Recorded<Box<dyn Meter>> {
    fn identify(&mut self, point: usize) -> Reading<String> {
        let found = self.inner.identify(point);
        self.put(Line::Identify(point, found.clone()));
        found
    }
    fn read(&mut self, point: usize) -> Reading<f64> {
        let value = self.inner.read(point);
        self.put(Line::Read(point, value));
        value
    }
    fn read_time(&self, point: usize) -> Duration {
        self.inner.read_time(point)
    }
}

impl Clock for Recorded<Box<dyn Clock>> {
    fn now(&self) -> Stamp {
        let now = self.inner.now();
        self.put(Line::Now(now));
        now
    }
    fn sleep(&mut self, time: Duration) {
        self.inner.sleep(time);
        self.put(Line::Sleep(ns(time)));
    }
}

impl Health for Recorded<Box<dyn Health>> {
    fn read(&mut self) -> BoardFacts {
        let facts = self.inner.read();
        self.put(Line::Health(Box::new(facts.clone())));
        facts
    }
}

impl Witness for Recorded<Box<dyn Witness>> {
    // what `idle` asks of the rig meanwhile stands before the answer
    fn ask(&mut self, question: &Question, expected: &Frame, idle: &mut dyn FnMut() -> bool) -> Answer {
        let answer = self.inner.ask(question, expected, idle);
        self.put(Line::Ask(question.text.clone(), answer.clone()));
        answer
    }
    fn before_power(&mut self, build: &Build) -> Option<Checklist> {
        let list = self.inner.before_power(build);
        if let Some(list) = &list {
            self.put(Line::BeforePower(Box::new(list.clone())));
        }
        list
    }
    fn hottest_joint(&mut self, idle: &mut dyn FnMut() -> bool) -> Option<(HandReading, String)> {
        let joint = self.inner.hottest_joint(idle);
        self.put(Line::Joint(joint.clone()));
        joint
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::sim::{self, SimOptions, scenario::Scenario};

    /// A storage with room for this many bytes.
    struct Small(usize);

    impl Write for Small {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            if bytes.len() > self.0 {
                return Err(std::io::Error::from(std::io::ErrorKind::StorageFull));
            }
            self.0 -= bytes.len();
            Ok(bytes.len())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_record_that_can_not_be_kept_ends_the_run() {
        let text = include_str!("../../config/water-taxi.toml");
        let build = crate::build::load(text, "demo").unwrap();
        let witness = crate::event::WitnessMode::None;
        let rig = || {
            let options = SimOptions { scenario: Scenario::default(), seed: 1, start_unix_ms: 0, witness, asked: None };
            sim::rig(&build, options)
        };
        assert!(record(rig(), &build, Small(10)).is_err(), "not even its first line");
        let mut rig = record(rig(), &build, Small(20_000)).unwrap();
        rig.output.claim().unwrap();
        assert_eq!(rig.output.check(), Ok(()));
        for _ in 0..1000 {
            let _ = rig.clock.now();
        }
        let error = rig.output.check().unwrap_err();
        assert!(error.what.contains("recording") && error.todo.contains("--record"), "{error}");
        assert_eq!(rig.output.blank(), Ok(()), "the wall can still be driven dark");
    }
}
