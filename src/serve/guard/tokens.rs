//! Tokens: made once, shown once, kept as a hash.
//!
//! A token is 256 random bits, so its SHA-256 is all that is kept. A slow hash
//! (scrypt and its like) makes guessing words that people choose expensive;
//! nobody guesses 256 random bits, and a slow hash would only let a stranger
//! keep our processor busy by sending wrong ones.
//!
//! The list is `tokens.json` in the state folder, mode 0600, written whole or
//! not at all. The daemon looks at the file each time somebody shows a token:
//! what was added or revoked counts from the next request on. A list that cannot
//! be read lets nobody in; it never reads as "there are no tokens". But whoever could
//! operate by the list as it last was may still switch off: off waits for no disk.

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fmt;
use std::io::Write;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use subtle::ConstantTimeEq;

const FILE: &str = "tokens.json";
const LOCAL: &str = "local.token";
/// A bench has a few tablets, a scraper and a script or two.
const MOST: usize = 100;
/// So that a leaked one is known for what it is, by people and by scanners.
const PREFIX: &str = "tankside-";

/// What a token may do; each may what the ones before it may.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Scope {
    /// Look, and work things out.
    Watch,
    /// Run commands, answers, alarms, upkeep. Every way to switch off is here.
    Operate,
    /// What changes which limits and alarms are in force; who did what.
    Admin,
}

impl Scope {
    /// Its word.
    pub fn name(self) -> &'static str {
        match self {
            Scope::Watch => "watch",
            Scope::Operate => "operate",
            Scope::Admin => "admin",
        }
    }
}

impl std::str::FromStr for Scope {
    type Err = String;
    fn from_str(text: &str) -> Result<Scope, String> {
        [Scope::Watch, Scope::Operate, Scope::Admin]
            .into_iter()
            .find(|s| s.name() == text)
            .ok_or_else(|| format!("{text:?} is no scope; there is: watch, operate, admin"))
    }
}

/// A token as it is kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TokenLine {
    /// Whose it is; stands in the audit.
    pub name: String,
    /// What it may do.
    pub scope: Scope,
    /// When it was made, RFC 3339 UTC.
    pub made: String,
    sha256: String,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct List {
    tokens: Vec<TokenLine>,
}

/// Why the list cannot be used, in the operator's words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TokenError {
    /// The file, and what the system or the reader said.
    File(PathBuf, String),
    /// This user may not.
    Permission(PathBuf),
    /// What was asked for makes no sense.
    Asked(String),
}

impl fmt::Display for TokenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            TokenError::File(path, why) => write!(
                f,
                "the list of tokens {}: {why}; until it is mended no token is taken (moved aside, it counts as empty)",
                path.display()
            ),
            TokenError::Permission(path) => write!(
                f,
                "the list of tokens {}: this user may not; do it as the daemon's user or as root",
                path.display()
            ),
            TokenError::Asked(why) => f.write_str(why),
        }
    }
}
impl std::error::Error for TokenError {}

/// Who showed a token.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Known {
    pub name: String,
    pub scope: Scope,
    /// Tells this token from another of the same name.
    pub print: String,
}

/// What the file looked like when it was read: inode, size, times to the nanosecond.
type Mark = Option<(u64, u64, i64, i64, i64, i64)>;

#[derive(Default)]
struct Seen {
    mark: Option<Mark>,
    lines: Vec<TokenLine>,
}

/// The tokens of one state folder. Cheap to clone.
#[derive(Clone)]
pub struct Tokens {
    folder: Option<PathBuf>,
    seen: Arc<Mutex<Seen>>,
    /// Hash of this machine's own token of this start, if it has one.
    local: Option<String>,
}

impl fmt::Debug for Tokens {
    /// Without hashes: this may end in a log.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tokens").field("folder", &self.folder).finish_non_exhaustive()
    }
}

impl Tokens {
    /// No list at all: for a daemon in another program, or a test.
    pub fn none() -> Tokens {
        Tokens { folder: None, seen: Arc::default(), local: None }
    }

    /// The list in that state folder. Opens nothing yet.
    pub fn at(folder: &Path) -> Tokens {
        Tokens { folder: Some(folder.into()), seen: Arc::default(), local: None }
    }

    /// Makes this machine's own token for as long as this daemon runs, and leaves it, in plain, in `local.token` of
    /// the state folder, mode 0600: verbs of the daemon's user and of root find it there, so that `tankside off`
    /// needs nothing in the environment. Whoever may read it may also write the list, or kill the daemon.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn with_local(mut self) -> Result<Tokens, TokenError> {
        let Some(folder) = &self.folder else { return Ok(self) };
        let token = fresh()?;
        write_private(&folder.join(LOCAL), token.as_bytes())?;
        self.local = Some(hash(&token));
        Ok(self)
    }

    /// What a daemon on this machine left for its own user, if this user may read it.
    #[expect(clippy::disallowed_methods, reason = "tokens are files; this is the edge")]
    pub fn local(folder: &Path) -> Option<String> {
        std::fs::read_to_string(folder.join(LOCAL)).ok().filter(|t| !t.is_empty())
    }

    /// Whether there is any token but this machine's own.
    ///
    /// # Errors
    /// When the list cannot be read.
    pub fn any(&self) -> Result<bool, TokenError> {
        self.look(|lines| !lines.is_empty())
    }

    /// Every token.
    ///
    /// # Errors
    /// When the list cannot be read.
    pub fn list(&self) -> Result<Vec<TokenLine>, TokenError> {
        self.look(<[TokenLine]>::to_vec)
    }

    /// Makes one and returns it: it is seen here and never again.
    ///
    /// # Errors
    /// For a name that is taken, and when the list cannot be read or written.
    pub fn add(&self, name: &str, scope: Scope) -> Result<String, TokenError> {
        let good = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
        if name.is_empty() || name.len() > 32 || !name.chars().all(good) {
            return Err(TokenError::Asked(format!(
                "{name:?} is no name for a token: up to 32 letters, digits, - _ ."
            )));
        }
        let token = fresh()?;
        self.change(|list| {
            if list.tokens.iter().any(|t| t.name == name) {
                return Err(TokenError::Asked(format!(
                    "there is a token {name} already; revoke it first, or take another name"
                )));
            }
            if list.tokens.len() >= MOST {
                return Err(TokenError::Asked(format!("there are {MOST} tokens; revoke one first")));
            }
            let made = format!("{:.0}", jiff::Timestamp::now());
            list.tokens.push(TokenLine { name: name.into(), scope, made, sha256: hash(&token) });
            Ok(())
        })?;
        Ok(token)
    }

    /// Takes one off the list; its sessions end with it.
    ///
    /// # Errors
    /// For a name that is not there, and when the list cannot be read or written.
    pub fn revoke(&self, name: &str) -> Result<(), TokenError> {
        self.change(|list| {
            let before = list.tokens.len();
            list.tokens.retain(|t| t.name != name);
            if list.tokens.len() < before {
                return Ok(());
            }
            let names: Vec<_> = list.tokens.iter().map(|t| t.name.as_str()).collect();
            let there = if names.is_empty() { "none".into() } else { names.join(", ") };
            Err(TokenError::Asked(format!("there is no token {name:?}; there is: {there}")))
        })
    }

    /// Whose token that is. Every line is compared, each in constant time.
    pub(crate) fn who(&self, token: &str) -> Result<Option<Known>, TokenError> {
        let shown = hash(token);
        if self.local.as_deref().is_some_and(|kept| same(kept, &shown)) {
            return Ok(Some(Known { name: "this-machine".into(), scope: Scope::Admin, print: shown }));
        }
        self.look(|lines| find(lines, &shown))
    }

    /// Whether a token that was good still is.
    ///
    /// # Errors
    /// When the list cannot be read.
    pub(crate) fn stands(&self, known: &Known) -> Result<bool, TokenError> {
        if self.local.as_deref() == Some(known.print.as_str()) {
            return Ok(true);
        }
        self.look(|lines| has(lines, known))
    }

    /// Whose token that is by the list as it last could be read: for switching off alone, which no spoiled file may
    /// keep from whoever could do it a moment ago.
    pub(crate) fn who_lately(&self, token: &str) -> Option<Known> {
        find(&self.seen().lines, &hash(token))
    }

    /// Whether a token that was good still is, or was when the list last could be read. As [`Tokens::who_lately`].
    pub(crate) fn stands_or_stood(&self, known: &Known) -> bool {
        self.stands(known).unwrap_or_else(|_| has(&self.seen().lines, known))
    }

    fn seen(&self) -> MutexGuard<'_, Seen> {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn look<T>(&self, ask: impl FnOnce(&[TokenLine]) -> T) -> Result<T, TokenError> {
        let Some(folder) = &self.folder else { return Ok(ask(&[])) };
        let path = folder.join(FILE);
        let mark = mark(&path)?;
        let mut seen = self.seen();
        if seen.mark != Some(mark) {
            seen.mark = None;
            // What cannot be read leaves the lines of before, which count for nothing but `who_lately`.
            seen.lines = read(&path)?.tokens;
            seen.mark = Some(mark);
        }
        Ok(ask(&seen.lines))
    }

    fn change(&self, change: impl FnOnce(&mut List) -> Result<(), TokenError>) -> Result<(), TokenError> {
        let Some(folder) = &self.folder else {
            return Err(TokenError::Asked("no tokens are kept here".into()));
        };
        std::fs::create_dir_all(folder).map_err(|e| failed(folder, &e))?;
        // Two of us at once: the second waits for the first, so that no token is lost.
        let lock = std::fs::OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .mode(0o600)
            .custom_flags(nix::fcntl::OFlag::O_NOFOLLOW.bits())
            .open(folder.join("tokens.lock"))
            .map_err(|e| failed(folder, &e))?;
        hand_over(&lock, folder).map_err(|e| failed(folder, &e))?;
        let _lock = nix::fcntl::Flock::lock(lock, nix::fcntl::FlockArg::LockExclusive)
            .map_err(|(_, e)| failed(folder, &e.into()))?;
        let path = folder.join(FILE);
        let mut list = read(&path)?;
        change(&mut list)?;
        let text = serde_json::to_string_pretty(&list).map_err(|e| TokenError::Asked(e.to_string()))?;
        write_private(&path, text.as_bytes())
    }
}

/// Both are hashes.
fn same(kept: &str, shown: &str) -> bool {
    kept.as_bytes().ct_eq(shown.as_bytes()).into()
}

fn find(lines: &[TokenLine], shown: &str) -> Option<Known> {
    let mut found = None;
    for line in lines {
        if same(&line.sha256, shown) {
            found = Some(Known { name: line.name.clone(), scope: line.scope, print: line.sha256.clone() });
        }
    }
    found
}

fn has(lines: &[TokenLine], known: &Known) -> bool {
    lines.iter().any(|t| t.sha256 == known.print && t.scope == known.scope)
}

fn mark(path: &Path) -> Result<Mark, TokenError> {
    match std::fs::metadata(path) {
        Ok(m) => Ok(Some((m.ino(), m.len(), m.mtime(), m.mtime_nsec(), m.ctime(), m.ctime_nsec()))),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(failed(path, &e)),
    }
}

#[expect(clippy::disallowed_methods, reason = "tokens are files; this is the edge")]
fn read(path: &Path) -> Result<List, TokenError> {
    match std::fs::read(path) {
        Ok(bytes) => serde_json::from_slice(&bytes).map_err(|e| TokenError::File(path.into(), e.to_string())),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(List::default()),
        Err(e) => Err(failed(path, &e)),
    }
}

/// Whole or not at all, for its owner's eyes only, and the daemon's even if root wrote it.
#[expect(clippy::disallowed_methods, reason = "tokens are files; this is the edge")]
fn write_private(path: &Path, bytes: &[u8]) -> Result<(), TokenError> {
    let part = path.with_extension("part");
    let write = || -> std::io::Result<()> {
        // One that was left over may have another mode.
        match std::fs::remove_file(&part) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(e),
            _ => {}
        }
        let mut file = std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&part)?;
        let folder = path.parent().unwrap_or(Path::new("."));
        hand_over(&file, folder)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        std::fs::rename(&part, path)?;
        std::fs::File::open(folder)?.sync_all()
    };
    write().map_err(|e| failed(path, &e))
}

/// What root made belongs to the folder's owner. It is the file that is open, not what stands at its name by now: the
/// owner could have put a link to another one there.
fn hand_over(file: &std::fs::File, folder: &Path) -> std::io::Result<()> {
    if nix::unistd::geteuid().is_root() {
        let owner = std::fs::metadata(folder)?;
        std::os::unix::fs::fchown(file, Some(owner.uid()), Some(owner.gid()))?;
    }
    Ok(())
}

fn failed(path: &Path, e: &std::io::Error) -> TokenError {
    if e.kind() == std::io::ErrorKind::PermissionDenied {
        TokenError::Permission(path.into())
    } else {
        TokenError::File(path.into(), e.to_string())
    }
}

/// 256 random bits from the system.
fn fresh() -> Result<String, TokenError> {
    secret().map(|s| format!("{PREFIX}{s}")).map_err(TokenError::Asked)
}

/// 256 random bits from the system, in 64 hexadecimal digits.
pub(super) fn secret() -> Result<String, String> {
    let mut bytes = [0u8; 32];
    getrandom::fill(&mut bytes).map_err(|e| format!("the system gives no random bits: {e}"))?;
    Ok(hex(&bytes))
}

pub(in super::super) fn hash(text: &str) -> String {
    hex(&Sha256::digest(text.as_bytes()))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn token_is_on_disk_as_its_hash_alone_and_for_its_owner_alone() {
        let folder = tempfile::tempdir().unwrap();
        let token = Tokens::at(folder.path()).add("tablet", Scope::Operate).unwrap();
        // 256 bits are 64 hexadecimal digits.
        assert_eq!(token.len(), PREFIX.len() + 64);
        let path = folder.path().join(FILE);
        #[expect(clippy::disallowed_methods, reason = "a test that looks at the disk")]
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(!text.contains(&token) && !text.contains(&token[PREFIX.len()..]), "{text}");
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        // FIPS 180-2, appendix B.1.
        assert_eq!(hash("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }

    #[test]
    fn running_daemon_sees_what_another_process_adds_and_revokes() {
        let folder = tempfile::tempdir().unwrap();
        let (daemon, verb) = (Tokens::at(folder.path()), Tokens::at(folder.path()));
        assert!(!daemon.any().unwrap());
        let token = verb.add("tablet", Scope::Watch).unwrap();
        let known = daemon.who(&token).unwrap().unwrap();
        assert_eq!((known.name.as_str(), known.scope), ("tablet", Scope::Watch));
        assert!(daemon.stands(&known).unwrap());
        verb.revoke("tablet").unwrap();
        assert_eq!(daemon.who(&token).unwrap(), None);
        assert!(!daemon.stands(&known).unwrap());
        // The same name made anew is not the old token.
        verb.add("tablet", Scope::Watch).unwrap();
        assert!(!daemon.stands(&known).unwrap());
    }

    #[test]
    fn list_that_cannot_be_read_is_not_taken_for_an_empty_one() {
        let folder = tempfile::tempdir().unwrap();
        let tokens = Tokens::at(folder.path());
        tokens.add("tablet", Scope::Watch).unwrap();
        assert!(tokens.any().unwrap());
        #[expect(clippy::disallowed_methods, reason = "a test that spoils the file")]
        std::fs::write(folder.path().join(FILE), "{\"tokens\": [{").unwrap();
        let error = tokens.any().unwrap_err().to_string();
        assert!(error.contains("tokens.json") && error.contains("no token is taken"), "{error}");
        assert!(tokens.who("x").is_err() && tokens.add("y", Scope::Watch).is_err());
    }

    #[test]
    fn token_that_is_only_begun_or_too_long_is_wrong() {
        let folder = tempfile::tempdir().unwrap();
        let tokens = Tokens::at(folder.path());
        let token = tokens.add("tablet", Scope::Watch).unwrap();
        for wrong in [&token[..token.len() - 1], &format!("{token}0"), &token.to_uppercase(), ""] {
            assert_eq!(tokens.who(wrong).unwrap(), None, "{wrong}");
        }
    }

    #[test]
    fn same_name_twice_odd_names_and_absent_ones_are_told() {
        let folder = tempfile::tempdir().unwrap();
        let tokens = Tokens::at(folder.path());
        tokens.add("tablet", Scope::Watch).unwrap();
        assert!(tokens.add("tablet", Scope::Admin).unwrap_err().to_string().contains("already"));
        for odd in ["", "two words", "a\nb", &"x".repeat(33)] {
            assert!(tokens.add(odd, Scope::Watch).is_err(), "{odd:?}");
        }
        assert!(tokens.revoke("phone").unwrap_err().to_string().contains("there is: tablet"));
        assert_eq!(
            "root".parse::<Scope>().unwrap_err(),
            "\"root\" is no scope; there is: watch, operate, admin"
        );
    }
}
