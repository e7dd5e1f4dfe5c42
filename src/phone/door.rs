//! Who gets in: the key of the link, the token that each phone gets for it, and how both are kept
//! for a run that is carried on.

use std::collections::VecDeque;
use std::fs;
use std::io::{self, Write as _};
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use etcetera::BaseStrategy as _;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use subtle::ConstantTimeEq as _;
use tokio::time::Instant;

use super::base64;

/// How many phones may be let in at the same time; another one shuts out the one that was not
/// seen for longest.
const DEVICES: usize = 32;

/// How many wrong keys one address may give within [`WINDOW`].
const WRONG: usize = 10;

/// After so long a wrong key is forgotten.
const WINDOW: Duration = Duration::from_secs(60);

/// From how many addresses wrong keys are remembered.
const STRANGERS: usize = 256;

/// Why there is no door.
#[derive(Debug, thiserror::Error)]
pub enum DoorError {
    /// The system gives no random numbers.
    #[error("no key could be drawn for the phone page: the system gives no random numbers")]
    NoRandom(#[source] getrandom::Error),
}

/// The door to the phone page.
#[derive(Debug)]
pub struct Door {
    key: String,
    /// Where it is kept, if there is a place.
    file: Option<PathBuf>,
    state: Mutex<State>,
}

#[derive(Debug)]
struct State {
    port: Option<u16>,
    /// Hashes of the tokens given out; the one that was seen last is last.
    devices: VecDeque<Device>,
    wrong: VecDeque<(IpAddr, Vec<Instant>)>,
}

/// A phone that was let in: the hash of its token, so that the file gives no token away.
pub(super) type Device = [u8; 32];

/// What came of a key.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Entry {
    /// It is the key; this is the token to come again with.
    Welcome(String),
    /// It is not.
    Wrong,
    /// Too many wrong ones came from there; nothing was compared.
    TooMany,
}

/// The door as it is kept.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Kept {
    key: String,
    port: Option<u16>,
    devices: Vec<String>,
}

impl Door {
    /// A door with a new key. It is kept for that plan, so that the run can be carried on.
    ///
    /// # Errors
    /// When no key can be drawn.
    pub fn fresh(plan: &Path) -> Result<Self, DoorError> {
        Self::fresh_in(state_file(plan))
    }

    /// The door as it was when that plan was last swept, or else a new one: for a run that is
    /// carried on, so that a phone that still shows the page simply goes on.
    ///
    /// # Errors
    /// When there was none and no key can be drawn.
    pub fn kept(plan: &Path) -> Result<Self, DoorError> {
        Self::kept_in(state_file(plan))
    }

    /// A door that is kept nowhere.
    #[cfg(test)]
    pub(super) fn unkept() -> Result<Self, DoorError> {
        Self::fresh_in(None)
    }

    fn fresh_in(file: Option<PathBuf>) -> Result<Self, DoorError> {
        Ok(Self {
            key: random()?,
            file,
            state: Mutex::new(State {
                port: None,
                devices: VecDeque::new(),
                wrong: VecDeque::new(),
            }),
        })
    }

    fn kept_in(file: Option<PathBuf>) -> Result<Self, DoorError> {
        let mut door = Self::fresh_in(file)?;
        if let Some(kept) = door.file.as_deref().and_then(read) {
            let devices = kept.devices.iter().filter_map(|text| from_hex(text));
            door.key = kept.key;
            let mut state = door.state();
            state.port = kept.port;
            state.devices = devices.take(DEVICES).collect();
            drop(state);
        }
        Ok(door)
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // Nothing that holds it leaves it half done.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The key, as the link has it.
    pub(super) fn key(&self) -> &str {
        &self.key
    }

    /// The port that was listened on before.
    pub(super) fn port(&self) -> Option<u16> {
        self.state().port
    }

    /// Keeps the port that is listened on.
    pub(super) fn listens_on(&self, port: u16) {
        let mut state = self.state();
        state.port = Some(port);
        self.keep(&state);
    }

    /// Takes a key from someone who wants in.
    pub(super) fn enter(&self, key: &str, from: IpAddr, now: Instant) -> Entry {
        let mut state = self.state();
        if state.wrong_from(from, now) >= WRONG {
            return Entry::TooMany;
        }
        if !bool::from(key.as_bytes().ct_eq(self.key.as_bytes())) {
            state.note_wrong(from, now);
            return Entry::Wrong;
        }
        let Ok(token) = random() else {
            return Entry::Wrong;
        };
        if state.devices.len() >= DEVICES {
            state.devices.pop_front();
        }
        state.devices.push_back(hash(&token));
        self.keep(&state);
        Entry::Welcome(token)
    }

    /// The phone that was given this token.
    pub(super) fn device(&self, token: &str) -> Option<Device> {
        let device = hash(token);
        let mut state = self.state();
        let mut found = None;
        for (at, known) in state.devices.iter().enumerate() {
            if bool::from(known.ct_eq(&device)) {
                found = Some(at);
            }
        }
        let known = state.devices.remove(found?)?;
        state.devices.push_back(known);
        Some(known)
    }

    /// Writes the door down, whole or not at all. Where that can't be done the page works all the
    /// same, but not over a restart.
    fn keep(&self, state: &State) {
        let Some(file) = &self.file else { return };
        let kept = Kept {
            key: self.key.clone(),
            port: state.port,
            devices: state.devices.iter().map(|one| hex(one)).collect(),
        };
        if let Err(error) = write(file, &kept) {
            tracing::warn!(file = %file.display(), %error, "the phone page's key can't be kept");
        }
    }
}

impl State {
    fn wrong_from(&mut self, from: IpAddr, now: Instant) -> usize {
        for (_, times) in &mut self.wrong {
            times.retain(|then| now.duration_since(*then) < WINDOW);
        }
        self.wrong.retain(|(_, times)| !times.is_empty());
        let known = self.wrong.iter().find(|(address, _)| *address == from);
        known.map_or(0, |(_, times)| times.len())
    }

    fn note_wrong(&mut self, from: IpAddr, now: Instant) {
        let known = self.wrong.iter_mut().find(|(address, _)| *address == from);
        if let Some((_, times)) = known {
            times.push(now);
            return;
        }
        if self.wrong.len() >= STRANGERS {
            self.wrong.pop_front();
        }
        self.wrong.push_back((from, vec![now]));
    }
}

/// 128 random bits as text that stands in a link and in a cookie as it is.
fn random() -> Result<String, DoorError> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes).map_err(DoorError::NoRandom)?;
    Ok(base64::url(&bytes))
}

fn hash(token: &str) -> Device {
    Sha256::digest(token.as_bytes()).into()
}

fn hex(bytes: &[u8]) -> String {
    let digit = |value: u8| char::from_digit(value.into(), 16).unwrap_or('0');
    let digits = bytes.iter().flat_map(|byte| [byte >> 4, byte & 15]);
    digits.map(digit).collect()
}

fn from_hex(text: &str) -> Option<Device> {
    let digits: Option<Vec<_>> = text.chars().map(|one| one.to_digit(16)).collect();
    let bytes = digits?
        .chunks_exact(2)
        .map(|pair| u8::try_from(pair.iter().fold(0, |value, digit| value * 16 + digit)))
        .collect::<Result<Vec<_>, _>>();
    bytes.ok()?.try_into().ok()
}

/// Where the door to a plan's page is kept; `None` where this system has no place for it.
fn state_file(plan: &Path) -> Option<PathBuf> {
    let base = etcetera::choose_base_strategy().ok()?;
    let place = base.state_dir().unwrap_or_else(|| base.data_dir());
    let whole = plan.canonicalize().unwrap_or_else(|_| plan.to_owned());
    let name = hex(&Sha256::digest(whole.as_os_str().as_encoded_bytes())[..8]);
    let folder = place.join("throwproof").join("phone");
    Some(folder.join(name).with_extension("json"))
}

fn read(file: &Path) -> Option<Kept> {
    let text = match fs::read(file) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return None,
        Err(error) => {
            tracing::warn!(file = %file.display(), %error, "the phone page's key can't be read");
            return None;
        }
    };
    let kept: Kept = serde_json::from_slice(&text).ok()?;
    // A key that is short could be guessed, whoever wrote it there.
    (kept.key.len() >= 22).then_some(kept)
}

/// Readable for this user alone: so are temporary files.
fn write(file: &Path, kept: &Kept) -> io::Result<()> {
    let folder = file.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(folder)?;
    let mut whole = tempfile::NamedTempFile::new_in(folder)?;
    whole.write_all(&serde_json::to_vec(kept)?)?;
    whole.persist(file).map_err(|error| error.error)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);
    const THERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 168, 1, 9));

    fn welcome(door: &Door, from: IpAddr, now: Instant) -> String {
        match door.enter(door.key(), from, now) {
            Entry::Welcome(token) => token,
            other @ (Entry::Wrong | Entry::TooMany) => panic!("{other:?}"),
        }
    }

    #[tokio::test(start_paused = true)]
    async fn the_key_lets_in_and_nothing_else_does() {
        let door = Door::fresh_in(None).unwrap();
        assert_eq!(door.key().len(), 22, "128 bits in six to a letter");
        let now = Instant::now();
        let token = welcome(&door, HERE, now);
        assert!(door.device(&token).is_some());
        assert_ne!(token, door.key(), "the cookie is not the key");
        assert_eq!(door.device(door.key()), None);
        for wrong in ["", "x", &door.key()[1..], &format!("{}A", door.key())] {
            assert_eq!(door.enter(wrong, HERE, now), Entry::Wrong);
            assert_eq!(door.device(wrong), None);
        }
    }

    #[tokio::test(start_paused = true)]
    async fn wrong_keys_are_limited_for_their_address_alone_and_not_for_ever() {
        let door = Door::fresh_in(None).unwrap();
        let token = welcome(&door, HERE, Instant::now());
        for _ in 0..WRONG {
            assert_eq!(door.enter("guess", HERE, Instant::now()), Entry::Wrong);
        }
        assert_eq!(
            door.enter(door.key(), HERE, Instant::now()),
            Entry::TooMany,
            "else guessing could go on"
        );
        assert!(door.device(&token).is_some());
        welcome(&door, THERE, Instant::now());
        tokio::time::advance(WINDOW).await;
        welcome(&door, HERE, Instant::now());
    }

    #[tokio::test(start_paused = true)]
    async fn a_kept_door_is_the_same_and_a_fresh_one_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("new").join("door.json");
        let first = Door::fresh_in(Some(file.clone())).unwrap();
        first.listens_on(17_845);
        let token = welcome(&first, HERE, Instant::now());
        let again = Door::kept_in(Some(file.clone())).unwrap();
        assert_eq!(again.key(), first.key());
        assert_eq!(again.port(), Some(17_845));
        assert!(again.device(&token).is_some());
        let text = fs::read_to_string(&file).unwrap();
        assert!(!text.contains(&token), "tokens are kept as hashes");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            let mode = fs::metadata(&file).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o600);
        }
        let fresh = Door::fresh_in(Some(file)).unwrap();
        assert_ne!(fresh.key(), first.key());
        assert_eq!(fresh.device(&token), None);
    }

    #[test]
    fn a_damaged_file_gives_a_new_door() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("door.json");
        for text in ["", "{}", r#"{"key":"short","port":1,"devices":[]}"#, "[1"] {
            fs::write(&file, text).unwrap();
            let door = Door::kept_in(Some(file.clone())).unwrap();
            assert_eq!(door.key().len(), 22, "{text}");
        }
    }

    #[tokio::test(start_paused = true)]
    async fn the_phone_not_seen_for_longest_makes_room() {
        let door = Door::fresh_in(None).unwrap();
        let first = welcome(&door, HERE, Instant::now());
        let second = welcome(&door, HERE, Instant::now());
        for _ in 2..DEVICES {
            welcome(&door, HERE, Instant::now());
        }
        assert!(door.device(&first).is_some());
        welcome(&door, HERE, Instant::now());
        assert!(door.device(&first).is_some());
        assert_eq!(door.device(&second), None);
    }
}
