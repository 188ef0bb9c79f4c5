//! The daemon's log in the journal of systemd: each field of an event by itself, for queries, and all of them behind the message, since
//! `journalctl -u signproof` shows the message alone and a reason must not be missed there.
//! Format: "Native Journal Protocol", systemd documentation.

use std::fmt::Write;
use std::os::unix::net::UnixDatagram;
use tracing::field::{Field, Visit};
use tracing::{Event, Level, Subscriber};
use tracing_subscriber::Layer;
use tracing_subscriber::layer::Context;

/// Where the journal listens.
const SOCKET: &str = "/run/systemd/journal/socket";

/// Sends events to the journal.
pub struct Journald(UnixDatagram);

impl Journald {
    /// # Errors
    /// Where no journal listens on this system.
    pub fn open() -> std::io::Result<Self> {
        let socket = UnixDatagram::unbound()?;
        socket.connect(SOCKET)?;
        Ok(Self(socket))
    }
}

impl<S: Subscriber> Layer<S> for Journald {
    fn on_event(&self, event: &Event<'_>, _context: Context<'_, S>) {
        let mut said = Said::default();
        event.record(&mut said);
        // where the journal doesn't take it there is no other place to say so
        let _ = self.0.send(&said.entry(*event.metadata().level(), event.metadata().target()));
    }
}

/// What one event says.
#[derive(Default)]
struct Said {
    message: String,
    fields: Vec<(&'static str, String)>,
}

impl Visit for Said {
    fn record_debug(&mut self, field: &Field, value: &dyn std::fmt::Debug) {
        self.take(field.name(), format!("{value:?}"));
    }
    fn record_str(&mut self, field: &Field, value: &str) {
        self.take(field.name(), value.to_owned());
    }
}

impl Said {
    fn take(&mut self, name: &'static str, value: String) {
        if name == "message" {
            self.message = value;
        } else {
            self.fields.push((name, value));
        }
    }

    fn entry(&self, level: Level, target: &str) -> Vec<u8> {
        // severities of syslog (RFC 5424)
        let priority = match level {
            Level::ERROR => "3",
            Level::WARN => "4",
            Level::INFO => "6",
            Level::DEBUG | Level::TRACE => "7",
        };
        let mut message = self.message.clone();
        for (i, (name, value)) in self.fields.iter().enumerate() {
            let _ = write!(message, "{} {name}={value}", if i == 0 { ":" } else { "," });
        }
        let mut entry = Vec::new();
        for (name, value) in [("PRIORITY", priority), ("SYSLOG_IDENTIFIER", "signproof"), ("TARGET", target), ("MESSAGE", &message)] {
            put(&mut entry, name, value);
        }
        for (name, value) in &self.fields {
            put(&mut entry, &format!("F_{}", name.to_ascii_uppercase().replace('.', "_")), value);
        }
        entry
    }
}

/// A field by its length, so that a value may have lines.
fn put(entry: &mut Vec<u8>, name: &str, value: &str) {
    entry.extend_from_slice(name.as_bytes());
    entry.push(b'\n');
    entry.extend_from_slice(&(value.len() as u64).to_le_bytes());
    entry.extend_from_slice(value.as_bytes());
    entry.push(b'\n');
}

#[cfg(test)]
mod tests {
    use super::*;
    use tracing_subscriber::layer::SubscriberExt;

    #[test]
    fn a_reason_stands_in_the_message_and_as_a_field_of_its_own() {
        let (journal, ours) = UnixDatagram::pair().unwrap();
        tracing::subscriber::with_default(tracing_subscriber::registry().with(Journald(ours)), || {
            tracing::warn!(why = "no lock\nheld", tries = 2, "not driven");
        });
        let mut bytes = [0; 1024];
        let length = journal.recv(&mut bytes).unwrap();
        let mut rest = &bytes[..length];
        let mut fields = std::collections::BTreeMap::new();
        while let Some(end) = rest.iter().position(|&b| b == b'\n') {
            let (name, value) = (std::str::from_utf8(&rest[..end]).unwrap(), &rest[end + 1..]);
            let size = u64::from_le_bytes(value[..8].try_into().unwrap()) as usize;
            fields.insert(name, std::str::from_utf8(&value[8..8 + size]).unwrap());
            assert_eq!(value[8 + size], b'\n');
            rest = &value[9 + size..];
        }
        assert_eq!(fields["MESSAGE"], "not driven: why=no lock\nheld, tries=2");
        assert_eq!((fields["PRIORITY"], fields["F_WHY"], fields["F_TRIES"]), ("4", "no lock\nheld", "2"));
    }
}
