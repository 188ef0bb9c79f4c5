//! A rig that writes down all that a run asks of it and what came back.

use super::tape::{Done, FORMAT, Line, checksum, ns};
use super::{Clock, Health, Meter, Output, Rig, RigError, Witness};
use crate::build::Build;
use crate::event::{Answer, BoardFacts, Question, Stamp};
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
    fn ask(&mut self, question: &Question, expected: &Frame) -> Answer {
        let answer = self.inner.ask(question, expected);
        self.put(Line::Ask(question.text.clone(), answer.clone()));
        answer
    }
}
