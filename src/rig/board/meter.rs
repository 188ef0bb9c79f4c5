//! The converters on a thread of their own, so that a bus that hangs cannot stop the interlock.

use crate::rig::Meter;
use crate::units::{NoReading, Reading};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::Duration;

/// Over twice its nominal time and this, a reading is late. Well below the 200 ms after which a silent converter stops a run.
const GRACE: Duration = Duration::from_millis(60);
/// Identification reads and writes a few registers.
const IDENTIFY: Duration = Duration::from_millis(500);

enum Ask {
    Identify(usize),
    Read(usize),
}

enum Told {
    Found(Reading<String>),
    Value(Reading<f64>),
}

/// A meter behind a thread.
pub struct ThreadMeter {
    ask: SyncSender<(u64, Ask)>,
    told: Receiver<(u64, Told)>,
    number: u64,
    times: Vec<Duration>,
}

impl ThreadMeter {
    /// Moves a meter of `points` points to a thread of its own.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub fn new(meter: impl Meter + Send + 'static, points: usize) -> std::io::Result<Self> {
        let times = (0..points).map(|p| meter.read_time(p)).collect();
        let (ask, asked) = sync_channel::<(u64, Ask)>(1);
        let (tell, told) = sync_channel(8);
        std::thread::Builder::new().name("meter".to_owned()).spawn(move || {
            let mut meter = meter;
            for (number, ask) in asked {
                let told = match ask {
                    Ask::Identify(point) => Told::Found(meter.identify(point)),
                    Ask::Read(point) => Told::Value(meter.read(point)),
                };
                // where nobody listens any more the thread is over
                if tell.send((number, told)).is_err() {
                    return;
                }
            }
        })?;
        Ok(Self { ask, told, number: 0, times })
    }

    fn call(&mut self, ask: Ask, limit: Duration) -> Reading<Told> {
        self.number += 1;
        // full where the thread still hangs in the one before
        self.ask.try_send((self.number, ask)).map_err(|_| NoReading::TimedOut)?;
        let deadline = std::time::Instant::now() + limit;
        loop {
            let left = deadline.saturating_duration_since(std::time::Instant::now());
            match self.told.recv_timeout(left) {
                Ok((number, told)) if number == self.number => return Ok(told),
                Ok(_) => {} // late, of an earlier call
                Err(RecvTimeoutError::Timeout) => return Err(NoReading::TimedOut),
                Err(RecvTimeoutError::Disconnected) => return Err(NoReading::BusFault),
            }
        }
    }
}

impl Meter for ThreadMeter {
    fn identify(&mut self, point: usize) -> Reading<String> {
        match self.call(Ask::Identify(point), IDENTIFY)? {
            Told::Found(found) => found,
            Told::Value(_) => Err(NoReading::BusFault),
        }
    }
    fn read(&mut self, point: usize) -> Reading<f64> {
        let limit = self.read_time(point) * 2 + GRACE;
        match self.call(Ask::Read(point), limit)? {
            Told::Value(value) => value,
            Told::Found(_) => Err(NoReading::BusFault),
        }
    }
    fn read_time(&self, point: usize) -> Duration {
        self.times.get(point).copied().unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::Sender;

    /// Hangs for a while on its second reading.
    struct Hanging(u32, Sender<u32>);

    impl Meter for Hanging {
        fn identify(&mut self, _: usize) -> Reading<String> {
            Ok("it".to_owned())
        }
        fn read(&mut self, point: usize) -> Reading<f64> {
            self.0 += 1;
            if self.0 == 2 {
                std::thread::sleep(Duration::from_millis(250));
            }
            let _ = self.1.send(self.0);
            Ok(point as f64 + f64::from(self.0))
        }
        fn read_time(&self, _: usize) -> Duration {
            Duration::from_millis(1)
        }
    }

    #[test]
    fn a_hanging_bus_is_a_late_reading_and_late_answers_are_not_taken_for_new_ones() {
        let (said, heard) = std::sync::mpsc::channel();
        let mut meter = ThreadMeter::new(Hanging(0, said), 2).unwrap();
        assert_eq!(meter.identify(0), Ok("it".to_owned()));
        assert_eq!(meter.read(1), Ok(2.0));
        let start = std::time::Instant::now();
        assert_eq!(meter.read(0), Err(NoReading::TimedOut));
        assert!(start.elapsed() < Duration::from_millis(200));
        // the thread hangs: the next call waits in line, the one after it is refused at once
        while meter.read(0) == Err(NoReading::TimedOut) {}
        assert!(heard.iter().take(2).count() == 2);
        let value = meter.read(0).unwrap();
        assert_eq!(value, meter.read(0).unwrap() - 1.0, "each call has its own answer");
    }
}
