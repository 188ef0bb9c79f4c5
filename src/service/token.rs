//! Tokens: made at first start, kept in a file that only the daemon may read, compared in constant time.

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::io::Write;
use std::path::Path;
use subtle::{Choice, ConstantTimeEq};

/// What a token lets its holder do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Look.
    Viewer,
    /// Look, start, stop, answer, accept.
    Operator,
}

/// The tokens of this board.
#[derive(Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tokens {
    operator: String,
    viewer: String,
}

/// Letters that are not mistaken for one another when typed from a screen.
const LETTERS: &[u8; 32] = b"abcdefghjkmnpqrstuvwxyz023456789";
/// Letters of a token: 5 bits each.
const LENGTH: usize = 24;
const SHORTEST: usize = 16;

fn make() -> std::io::Result<String> {
    let mut bytes = [0_u8; LENGTH];
    getrandom::fill(&mut bytes).map_err(|e| std::io::Error::other(e.to_string()))?;
    let letters: Vec<u8> = bytes.iter().map(|b| LETTERS[usize::from(b & 31)]).collect();
    Ok(letters.chunks(6).map(|c| String::from_utf8_lossy(c).into_owned()).collect::<Vec<_>>().join("-"))
}

fn same(a: &[u8], b: &[u8]) -> Choice {
    // digests are of one length, so that neither length nor content shows in the time taken
    Sha256::digest(a).as_slice().ct_eq(Sha256::digest(b).as_slice())
}

impl Tokens {
    /// Reads the file, or makes it; true where it was made now.
    ///
    /// # Errors
    /// Where it cannot be read, is readable by others, or cannot be made.
    pub fn load_or_make(path: &Path) -> Result<(Self, bool), String> {
        use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
        let name = path.display();
        match std::fs::read_to_string(path) {
            Ok(text) => {
                let mode = std::fs::metadata(path).map_err(|e| format!("{name}: {e}"))?.permissions().mode();
                if mode & 0o077 != 0 {
                    return Err(format!(
                        "{name}: others may read it (mode {:o}); chmod 600 it, or remove it to get new tokens",
                        mode & 0o777
                    ));
                }
                // no part of the file goes into a message
                let tokens: Self = toml::from_str(&text).map_err(|_| format!("{name}: not a file of tokens; remove it to get new ones"))?;
                if tokens.operator.len() < SHORTEST || tokens.viewer.len() < SHORTEST || tokens.operator == tokens.viewer {
                    return Err(format!(
                        "{name}: tokens must differ and have at least {SHORTEST} letters; remove the file to get new ones"
                    ));
                }
                Ok((tokens, false))
            }
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                let trouble = |e: std::io::Error| format!("{name}: {e}; check that the state directory may be written");
                let tokens = Self { operator: make().map_err(trouble)?, viewer: make().map_err(trouble)? };
                if let Some(dir) = path.parent() {
                    std::fs::create_dir_all(dir).map_err(trouble)?;
                }
                let text = format!("operator = \"{}\"\nviewer = \"{}\"\n", tokens.operator, tokens.viewer);
                let mut file = std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path).map_err(trouble)?;
                file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(trouble)?;
                Ok((tokens, true))
            }
            Err(e) => Err(format!("{name}: {e}")),
        }
    }

    /// The token to look and act, for the code on the sign only.
    pub fn operator(&self) -> &str {
        &self.operator
    }

    /// For the console only.
    pub fn show(&self) -> String {
        format!("token to look and act:  {}\ntoken to look only:     {}\n", self.operator, self.viewer)
    }

    /// The role of a token.
    pub fn role(&self, token: &str) -> Option<Role> {
        self.of(|own| same(own.as_bytes(), token.trim().as_bytes()))
    }

    /// What the cookie of a role holds: derived from its token, which it does not give away; new tokens end it.
    pub fn cookie(&self, role: Role) -> String {
        Self::derived(if role == Role::Operator { &self.operator } else { &self.viewer })
    }

    /// The role of a cookie.
    pub fn role_of_cookie(&self, cookie: &str) -> Option<Role> {
        self.of(|own| same(Self::derived(own).as_bytes(), cookie.as_bytes()))
    }

    fn derived(token: &str) -> String {
        let digest = Sha256::digest(format!("signproof cookie 1\0{token}").as_bytes());
        digest.iter().map(|b| format!("{b:02x}")).collect()
    }

    fn of(&self, matches: impl Fn(&str) -> Choice) -> Option<Role> {
        let (operator, viewer) = (matches(&self.operator), matches(&self.viewer));
        if operator.into() {
            Some(Role::Operator)
        } else if viewer.into() {
            Some(Role::Viewer)
        } else {
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn tokens_are_made_once_kept_for_the_daemon_alone_and_told_apart() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("state/tokens.toml");
        let (tokens, made) = Tokens::load_or_make(&file).unwrap();
        assert!(made);
        assert_eq!(std::fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o600);
        let (again, made) = Tokens::load_or_make(&file).unwrap();
        assert!(!made);
        assert_eq!(again.operator, tokens.operator);
        assert_eq!(tokens.role(&again.operator), Some(Role::Operator));
        assert_eq!(tokens.role(&again.viewer), Some(Role::Viewer));
        assert_eq!(tokens.role(""), None);
        assert_eq!(tokens.role(&again.operator[1..]), None);
        assert_eq!(tokens.role_of_cookie(&tokens.cookie(Role::Viewer)), Some(Role::Viewer));
        assert_eq!(tokens.role_of_cookie(&again.operator), None, "a token is not a cookie");
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o644)).unwrap();
        let Err(why) = Tokens::load_or_make(&file) else { panic!("a file that others may read was taken") };
        assert!(why.contains("chmod 600") && !why.contains(&tokens.operator));
    }

    #[test]
    fn letters_are_drawn_evenly_from_32() {
        assert_eq!(LETTERS.iter().collect::<std::collections::BTreeSet<_>>().len(), 32);
        let text = make().unwrap();
        assert_eq!(text.len(), LENGTH + 3);
        assert_ne!(text, make().unwrap());
    }
}
