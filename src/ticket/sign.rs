//! The key that signs tickets, in the format of the minisign tool, without a password: a sign signs by itself.

use minisign::{PublicKey, SecretKey, SecretKeyBox};
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// Name of the secret key in the state directory.
pub const SECRET_NAME: &str = "signproof.key";
/// Name of the public key, in the state directory and in a ticket.
pub const PUBLIC_NAME: &str = "signproof.pub";

/// Why there is no key or no signature.
#[derive(Debug, thiserror::Error)]
pub enum SignError {
    /// There is a key already.
    #[error("{} is there already: a new key would make earlier tickets unverifiable; move it away first", .0.display())]
    Exists(PathBuf),
    /// A file can't be used.
    #[error("{}: {why}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// The library refused.
    #[error("signing: {0}")]
    Library(String),
}

/// A key for signing.
pub struct KeyPair {
    secret: SecretKey,
    public: PublicKey,
}

fn file(path: &Path, why: impl ToString) -> SignError {
    SignError::File { path: path.to_owned(), why: why.to_string() }
}

fn library(e: minisign::PError) -> SignError {
    SignError::Library(e.to_string())
}

impl KeyPair {
    /// Makes a key and keeps it in a directory: the secret half readable by its owner only.
    ///
    /// # Errors
    /// Where a key is there already, or the directory can't be written.
    pub fn create(dir: &Path) -> Result<(Self, PathBuf), SignError> {
        let (secret_path, public_path) = (dir.join(SECRET_NAME), dir.join(PUBLIC_NAME));
        std::fs::create_dir_all(dir).map_err(|e| file(dir, e))?;
        let pair = minisign::KeyPair::generate_unencrypted_keypair().map_err(library)?;
        let text = pair.sk.to_box(Some("signproof secret key")).map_err(library)?.into_string();
        let mut options = std::fs::OpenOptions::new();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut out = options.open(&secret_path).map_err(|e| match e.kind() {
            std::io::ErrorKind::AlreadyExists => SignError::Exists(secret_path.clone()),
            _ => file(&secret_path, e),
        })?;
        out.write_all(text.as_bytes()).and_then(|()| out.sync_all()).map_err(|e| file(&secret_path, e))?;
        let public = pair.pk.to_box().map_err(library)?.into_string();
        crate::journal::write_whole(&public_path, public.as_bytes()).map_err(|e| file(&public_path, e))?;
        Ok((Self { secret: pair.sk, public: pair.pk }, public_path))
    }

    /// Public half, two lines as the minisign tool reads them.
    ///
    /// # Errors
    /// Of the library.
    pub fn public_text(&self) -> Result<String, SignError> {
        Ok(self.public.to_box().map_err(library)?.into_string())
    }

    /// Signs bytes; the trusted comment is signed with them.
    pub(super) fn sign(&self, bytes: &[u8], trusted: &str) -> Result<String, SignError> {
        let signature = minisign::sign(Some(&self.public), &self.secret, bytes, Some(trusted), Some("signature of a signproof ticket"));
        Ok(signature.map_err(library)?.into_string())
    }
}

/// Reads the secret key of a directory.
///
/// # Errors
/// Where there is none or it can't be read.
pub fn read_key(dir: &Path) -> Result<KeyPair, SignError> {
    let path = dir.join(SECRET_NAME);
    let text = std::fs::read_to_string(&path).map_err(|e| file(&path, format!("{e}; `signproof key` makes one")))?;
    let boxed = SecretKeyBox::from_string(&text).map_err(|e| file(&path, e))?;
    let secret = SecretKey::from_unencrypted_box(boxed).map_err(|e| file(&path, format!("{e}; a key with a password can't be used")))?;
    let public = PublicKey::from_secret_key(&secret).map_err(library)?;
    Ok(KeyPair { secret, public })
}

/// A public key from its text: two lines, or the base64 line alone.
///
/// # Errors
/// Where it is none.
pub fn public_key(text: &str) -> Result<PublicKey, SignError> {
    let line = text.lines().map(str::trim).rfind(|l| !l.is_empty()).unwrap_or_default();
    PublicKey::from_base64(line).map_err(library)
}
