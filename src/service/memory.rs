//! What the daemon remembers from boot to boot, and what it does next. Pure, but for reading and writing one file.

use super::config::{FirstPower, Policy};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Facts of one build, by its digest.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Memory {
    /// Digest of the build these facts are of; another build starts afresh.
    pub digest: String,
    /// True where they come from a simulated sign: never mixed with a real one.
    pub simulated: bool,
    /// Run that is going on; still there at boot where the power was lost.
    pub running: Option<String>,
    /// Attempts that were interrupted since the last one that ended.
    pub interrupted: u32,
    /// Outcome word of the last run that ended.
    pub last: Option<String>,
    /// True where the last run that ended may be accepted as the baseline.
    #[serde(default)]
    pub acceptable: bool,
    /// Why the last run could not be carried out at all; it has no report.
    #[serde(default)]
    pub trouble: Option<String>,
    /// Run that was accepted as the baseline.
    pub accepted: Option<String>,
    /// The last run that ended.
    #[serde(default)]
    pub last_run: Option<String>,
}

/// What the daemon does once it is ready.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Next {
    /// Begin the first run, or the interrupted one anew.
    Begin,
    /// Wait for a person, with the reason.
    Person(String),
    /// Watch the supply.
    Watch,
}

impl Memory {
    /// The file's memory of this build; an empty one where it is of another build, another kind of rig or unreadable.
    pub fn load(path: &Path, digest: &str, simulated: bool) -> Self {
        let fresh = || Self { digest: digest.to_owned(), simulated, ..Self::default() };
        let Ok(text) = std::fs::read_to_string(path) else { return fresh() };
        match serde_json::from_str::<Self>(&text) {
            Ok(memory) if memory.digest == digest && memory.simulated == simulated => memory,
            Ok(_) => fresh(),
            Err(error) => {
                tracing::warn!(file = %path.display(), %error, "the memory of earlier runs is unreadable: starting afresh");
                fresh()
            }
        }
    }

    /// Writes it, durably.
    ///
    /// # Errors
    /// Where the state directory cannot be written.
    pub fn save(&self, path: &Path) -> std::io::Result<()> {
        crate::journal::write_whole(path, serde_json::to_string_pretty(self)?.as_bytes())
    }

    /// A run begins.
    pub fn began(&mut self, run: &str) {
        self.running = Some(run.to_owned());
        self.trouble = None;
    }

    /// A run came to its end; `acceptable` where it may be accepted as the baseline.
    pub fn ended(&mut self, outcome: &str, acceptable: bool) {
        self.last_run = self.running.take();
        self.interrupted = 0;
        self.last = Some(outcome.to_owned());
        self.acceptable = acceptable;
    }

    /// A run was cut off by loss of power, a crash or the daemon's own end; its id, where there was one.
    pub fn cut_off(&mut self) -> Option<String> {
        let run = self.running.take()?;
        self.interrupted += 1;
        Some(run)
    }

    /// What to do at boot, after [`Memory::cut_off`].
    pub fn next(&self, policy: &FirstPower) -> Next {
        // a run that was accepted for a stated reason counts, whatever its outcome
        let accepted_last = self.last_run.is_some() && self.last_run == self.accepted;
        let proven = self.accepted.is_some() && (accepted_last || self.last.as_deref().is_none_or(|last| last == "pass"));
        if policy.start == Policy::Never || (proven && self.interrupted == 0) {
            return Next::Watch;
        }
        if self.interrupted >= policy.interruptions {
            return Next::Person(format!(
                "{} attempts were interrupted: the supply may break down under load, or the power is unsteady; look for the cause before the next one",
                self.interrupted
            ));
        }
        if let Some(last) = &self.last
            && self.interrupted == 0
        {
            return match last.as_str() {
                _ if self.trouble.is_some() => {
                    Next::Person(format!("the last run could not be carried out: {}", self.trouble.as_deref().unwrap_or_default()))
                }
                "pass" => Next::Person("the last run passed: accept it as the baseline, or run again".to_owned()),
                _ => {
                    let or = if self.acceptable { "; or accept it as the baseline and say why" } else { "" };
                    Next::Person(format!("the last run ended as {last}: read its report, put right what it names, then run again{or}"))
                }
            };
        }
        match policy.start {
            Policy::ByItself => Next::Begin,
            _ if self.interrupted > 0 => Next::Person("the last run was interrupted: begin it anew".to_owned()),
            _ => Next::Person("this build has not been proven yet: begin the first run".to_owned()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn by_itself() -> FirstPower {
        FirstPower::default()
    }

    #[test]
    fn a_first_power_up_begins_by_itself_and_is_accepted_once_passed() {
        let mut m = Memory::default();
        assert_eq!(m.next(&by_itself()), Next::Begin);
        m.began("r1");
        m.ended("pass", true);
        assert!(matches!(m.next(&by_itself()), Next::Person(why) if why.contains("accept")));
        m.accepted = Some("r1".into());
        assert_eq!(m.next(&by_itself()), Next::Watch);
    }

    #[test]
    fn an_interrupted_run_begins_anew_until_the_limit() {
        let mut m = Memory::default();
        m.began("r1");
        assert_eq!(m.cut_off().as_deref(), Some("r1"));
        assert_eq!(m.next(&by_itself()), Next::Begin);
        m.began("r2");
        assert_eq!(m.cut_off().as_deref(), Some("r2"));
        assert!(matches!(m.next(&by_itself()), Next::Person(why) if why.contains("2 attempts were interrupted")));
        assert_eq!(m.next(&FirstPower { interruptions: 3, ..by_itself() }), Next::Begin);
        assert_eq!(m.cut_off(), None);
    }

    #[test]
    fn whatever_did_not_pass_waits_for_a_person() {
        for word in ["fail", "marginal", "incomplete", "stopped", "error"] {
            let mut m = Memory::default();
            m.began("r");
            m.ended(word, false);
            assert!(
                matches!(m.next(&by_itself()), Next::Person(why) if why.contains(word) && !why.contains(['`']) && !why.contains("accept"))
            );
        }
    }

    #[test]
    fn a_fail_after_the_baseline_waits_for_a_person_too() {
        let mut m = Memory { accepted: Some("r1".into()), last: Some("pass".into()), ..Memory::default() };
        assert_eq!(m.next(&by_itself()), Next::Watch);
        m.began("r2");
        m.ended("fail", false);
        assert!(matches!(m.next(&by_itself()), Next::Person(why) if why.contains("fail")));
    }

    #[test]
    fn an_accepted_run_is_proven_whatever_its_outcome_until_a_later_one_differs() {
        let mut m = Memory::default();
        m.began("r1");
        m.ended("incomplete", true);
        assert!(matches!(m.next(&by_itself()), Next::Person(why) if why.contains("incomplete") && why.contains("accept")));
        m.accepted = Some("r1".into());
        assert_eq!(m.next(&by_itself()), Next::Watch);
        m.began("r2");
        m.ended("incomplete", true);
        assert!(matches!(m.next(&by_itself()), Next::Person(_)));
    }

    #[test]
    fn a_run_that_could_not_be_carried_out_says_why_and_is_not_begun_again_by_itself() {
        let mut m = Memory::default();
        m.began("r1");
        m.ended("error", false);
        m.trouble = Some("GPIO 4 is held by `lamp`".into());
        assert!(matches!(m.next(&by_itself()), Next::Person(why) if why.contains("`lamp`")));
        m.began("r2");
        m.ended("pass", true);
        assert!(matches!(m.next(&by_itself()), Next::Person(why) if why.contains("accept")));
    }

    #[test]
    fn the_policy_is_obeyed() {
        let m = Memory::default();
        assert!(matches!(m.next(&FirstPower { start: Policy::AfterButton, ..by_itself() }), Next::Person(_)));
        assert_eq!(m.next(&FirstPower { start: Policy::Never, ..by_itself() }), Next::Watch);
    }

    #[test]
    fn another_build_or_another_kind_of_rig_starts_afresh() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("memory.json");
        let m = Memory { digest: "a".into(), simulated: true, accepted: Some("r".into()), ..Memory::default() };
        m.save(&file).unwrap();
        assert_eq!(Memory::load(&file, "a", true), m);
        assert_eq!(Memory::load(&file, "b", true).accepted, None);
        assert_eq!(Memory::load(&file, "a", false).accepted, None);
    }
}
