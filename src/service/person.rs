//! The person at the page, as a run's witness.

use super::handed_in;
use super::live::{About, Said, Shared};
use crate::build::Build;
use crate::checklist;
use crate::event::{Answer, Checklist, HandReading, Question, Whereabouts};
use crate::frame::{Frame, FrameSpec};
use crate::rig::Witness;
use std::sync::{Arc, mpsc};
use std::time::Duration;

/// Time between two looks at a waiting question.
const LOOK: Duration = Duration::from_millis(50);

/// Whoever answers on the page or by the API.
pub struct PageWitness(pub Arc<Shared>);

impl PageWitness {
    /// The answer; `None` where the question was withdrawn, or nobody answered for `minutes`.
    fn said(
        &self,
        text: &str,
        about: About,
        mark: Option<[u8; 2]>,
        minutes: u32,
        idle: &mut dyn FnMut() -> bool,
    ) -> Result<Said, Unanswered> {
        let until = crate::rig::since_start() + Duration::from_secs(60 * u64::from(minutes));
        let answers = self.0.ask(text, about, mark);
        let said = loop {
            if !idle() || handed_in::forbids(&self.0) {
                break Err(Unanswered::Withdrawn);
            }
            match answers.recv_timeout(LOOK) {
                Ok(said) => break Ok(said),
                Err(mpsc::RecvTimeoutError::Disconnected) => break Err(Unanswered::Withdrawn),
                Err(mpsc::RecvTimeoutError::Timeout) if crate::rig::since_start() > until => break Err(Unanswered::TooLate),
                Err(mpsc::RecvTimeoutError::Timeout) => {}
            }
        };
        self.0.asked();
        said
    }

    /// Ends a run, or a search, that nobody looks at.
    fn give_up(&self, minutes: u32) {
        if self.0.stopped().is_none() {
            self.0.stop(&format!("the daemon: nobody answered for {minutes} minutes"));
        }
    }
}

enum Unanswered {
    Withdrawn,
    TooLate,
}

impl Witness for PageWitness {
    fn ask(&mut self, question: &Question, _expected: &Frame, idle: &mut dyn FnMut() -> bool) -> Answer {
        let minutes = self.0.config().first_power.witness_wait_min;
        match self.said(&question.text, About::Wall, None, minutes, idle) {
            Ok(Said::Wall(answer)) => answer,
            Err(Unanswered::TooLate) => {
                self.give_up(minutes);
                Answer::Absent
            }
            _ => Answer::Absent,
        }
    }
    fn where_is(&mut self, _build: &Build, question: &Question, _mark: &Frame, idle: &mut dyn FnMut() -> bool) -> Whereabouts {
        let minutes = self.0.config().first_power.witness_wait_min;
        let mark = if let FrameSpec::MarkOf { port, position } = question.frame { Some([port, position]) } else { None };
        match self.said(&question.text, About::Place, mark, minutes, idle) {
            Ok(Said::Place(seen)) => seen,
            Err(Unanswered::TooLate) => {
                self.give_up(minutes);
                Whereabouts::Absent
            }
            _ => Whereabouts::Absent,
        }
    }
    fn before_power(&mut self, _build: &Build) -> Option<Checklist> {
        handed_in::take(&self.0)
    }
    fn handed_in_late(&mut self) -> Option<Checklist> {
        handed_in::take(&self.0)
    }
    fn hottest_joint(&mut self, idle: &mut dyn FnMut() -> bool) -> Option<(HandReading, String)> {
        let known = self.0.live().handed_in.as_ref().filter(|h| h.taken).and_then(|h| {
            let reading = h.list.reading(checklist::JOINT)?.clone();
            Some((reading, format!("{}, {}", h.list.who, h.list.when)))
        });
        if known.is_some() {
            return known;
        }
        let minutes = self.0.config().first_power.joint_wait_min;
        if minutes == 0 {
            return None;
        }
        // the executor has blanked the wall
        if let Some(run) = &mut self.0.live().run {
            run.dark();
        }
        let text = "The hold is over and the wall is dark. Measure the hottest joint or fuse at once: how many °C?";
        match self.said(text, About::Joint, None, minutes, idle) {
            Ok(Said::Joint(joint)) => joint,
            _ => None,
        }
    }
}
