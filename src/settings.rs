//! The user's settings: what the program keeps between runs that belongs to no plan.
//!
//! ```toml
//! [lcc]
//! node = "0A.12.34.56.78.9A"         # this program on an LCC segment
//! track_node = "0A.BC.DE.F0.12.34"   # the simulated track on one
//!
//! [keys]                             # answers at the terminal
//! straight = "pageup"
//! diverging = ["pagedown", "d"]
//! ```
//!
//! What a person wrote into the file stays as it is. The file is replaced as a whole or not at
//! all, and one program at a time.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use etcetera::BaseStrategy as _;
use throwproof_protocol::lcc::{NodeId, NodeIdError};
use toml_edit::{DocumentMut, Item, Table, value};

use crate::witness::ask::{KeyMap, KeyMapError};

/// What a node id is for. The program and the simulated track may be on one segment, where no two
/// nodes may have the same id.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum NodeUse {
    /// The program itself.
    Program,
    /// The simulated track.
    Track,
}

impl NodeUse {
    const fn key(self) -> &'static str {
        match self {
            Self::Program => "node",
            Self::Track => "track_node",
        }
    }
}

/// A node id and whether it is new.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeptNode {
    /// The id.
    pub node: NodeId,
    /// It was drawn just now, which the user should be told.
    pub is_new: bool,
}

/// What can be wrong with the settings.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SettingsError {
    /// There is no home directory to keep them in.
    #[error(
        "there is no place for settings, because the home directory is not known: set HOME, or \
         name the LCC node id on the command line"
    )]
    NoPlace,
    /// The file cannot be read or written.
    #[error("can't {what} the settings {path}: {source}", path = path.display())]
    File {
        /// What was tried.
        what: &'static str,
        /// The file.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// It is not TOML.
    #[error("the settings {path} are not TOML: {reason}", path = path.display())]
    Syntax {
        /// The file.
        path: PathBuf,
        /// Where and what.
        reason: String,
    },
    /// The node id in it is none.
    #[error(
        "`lcc.{key}` in the settings {path} is {found}: {source}; or remove the line, and another \
         id is drawn",
        path = path.display()
    )]
    NodeId {
        /// The file.
        path: PathBuf,
        /// The key.
        key: &'static str,
        /// What is there.
        found: String,
        /// What is wrong with it.
        source: NodeIdError,
    },
    /// No node may have the id.
    #[error("`lcc.{key}` in the settings {path} is {node}: {advice}", path = path.display())]
    NotUsable {
        /// The file.
        path: PathBuf,
        /// The key.
        key: &'static str,
        /// The id.
        node: NodeId,
        /// What to do.
        advice: &'static str,
    },
    /// It is no table.
    #[error(
        "`{table}` in the settings {path} is not a table: write it as [{table}]",
        path = path.display()
    )]
    NoTable {
        /// The file.
        path: PathBuf,
        /// Its name.
        table: &'static str,
    },
    /// A key of the terminal can't be what it is set to.
    #[error("`keys.{name}` in the settings {path}: {source}", path = path.display())]
    Keys {
        /// The file.
        path: PathBuf,
        /// The answer.
        name: String,
        /// What is wrong with it.
        source: KeyMapError,
    },
    /// A key of the terminal is set to something else than text.
    #[error(
        "`keys.{name}` in the settings {path} is {found}: write the name of a key in quotes, or \
         several in brackets, as in {name} = [\"pageup\", \"1\"]",
        path = path.display()
    )]
    NoKeyName {
        /// The file.
        path: PathBuf,
        /// The answer.
        name: String,
        /// What is there.
        found: String,
    },
    /// The system gives no random numbers.
    #[error("no LCC node id could be drawn: the system gives no random numbers")]
    NoRandom(#[source] getrandom::Error),
}

/// Where the settings are kept: `throwproof/settings.toml` where this system keeps settings.
///
/// # Errors
/// When the home directory is not known.
pub fn default_path() -> Result<PathBuf, SettingsError> {
    let base = etcetera::choose_base_strategy().map_err(|_| SettingsError::NoPlace)?;
    Ok(base.config_dir().join("throwproof").join("settings.toml"))
}

/// The LCC node id kept in the settings. The first time one is drawn at random from the locally
/// allocated range, never made from an address of the machine, and kept.
///
/// clause: Unique Identifiers S 5.6: never from an IP address; 5.12: the range.
///
/// # Errors
/// When the settings cannot be read or written, or hold an id that no node may have.
pub fn lcc_node(path: &Path, node_use: NodeUse) -> Result<KeptNode, SettingsError> {
    if let Some(node) = read_node(&read(path)?, path, node_use)? {
        return Ok(KeptNode {
            node,
            is_new: false,
        });
    }
    let _lock = lock(path)?;
    // Another program may have drawn one while this one waited.
    let mut document = read(path)?;
    if let Some(node) = read_node(&document, path, node_use)? {
        return Ok(KeptNode {
            node,
            is_new: false,
        });
    }
    let node = NodeId::local(getrandom::u64().map_err(SettingsError::NoRandom)?);
    let table = document
        .entry("lcc")
        .or_insert_with(|| Item::Table(Table::new()))
        .as_table_like_mut()
        .ok_or_else(|| no_table(path, "lcc"))?;
    table.insert(node_use.key(), value(node.to_string()));
    write(path, &document.to_string())?;
    Ok(KeptNode { node, is_new: true })
}

/// Which keys answer questions at the terminal.
///
/// # Errors
/// When the settings cannot be read, or name an answer or a key that there is not, or the same
/// key twice for one question.
pub fn keys(path: &Path) -> Result<KeyMap, SettingsError> {
    let document = read(path)?;
    let Some(item) = document.get("keys") else {
        return Ok(KeyMap::default());
    };
    let table = item.as_table_like().ok_or_else(|| no_table(path, "keys"))?;
    let mut changes = Vec::new();
    for (name, item) in table.iter() {
        let words: Option<Vec<&str>> = match (item.as_str(), item.as_array()) {
            (Some(word), _) => Some(vec![word]),
            (None, Some(words)) => words.iter().map(|word| word.as_str()).collect(),
            (None, None) => None,
        };
        let words = words.ok_or_else(|| SettingsError::NoKeyName {
            path: path.into(),
            name: name.to_owned(),
            found: item.to_string().trim().to_owned(),
        })?;
        changes.push((name, words));
    }
    KeyMap::with(changes).map_err(|(name, source)| SettingsError::Keys {
        path: path.into(),
        name,
        source,
    })
}

fn no_table(path: &Path, table: &'static str) -> SettingsError {
    SettingsError::NoTable {
        path: path.into(),
        table,
    }
}

fn read(path: &Path) -> Result<DocumentMut, SettingsError> {
    let text = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => String::new(),
        Err(source) => return Err(file_error("read", path, source)),
    };
    text.parse()
        .map_err(|error: toml_edit::TomlError| SettingsError::Syntax {
            path: path.into(),
            reason: error.to_string().trim_end().to_owned(),
        })
}

fn read_node(
    document: &DocumentMut,
    path: &Path,
    node_use: NodeUse,
) -> Result<Option<NodeId>, SettingsError> {
    let key = node_use.key();
    let Some(table) = document.get("lcc") else {
        return Ok(None);
    };
    let table = table.as_table_like().ok_or_else(|| no_table(path, "lcc"))?;
    let Some(item) = table.get(key) else {
        return Ok(None);
    };
    let text = item.as_str().unwrap_or_default();
    let node: NodeId = text.parse().map_err(|source| SettingsError::NodeId {
        path: path.into(),
        key,
        found: item.to_string().trim().to_owned(),
        source,
    })?;
    let judgement = node.judgement();
    if !judgement.is_usable() {
        return Err(SettingsError::NotUsable {
            path: path.into(),
            key,
            node,
            advice: judgement.advice(),
        });
    }
    Ok(Some(node))
}

/// Holds the settings until it is dropped.
fn lock(path: &Path) -> Result<File, SettingsError> {
    let failed = |source| file_error("lock", path, source);
    fs::create_dir_all(folder(path)).map_err(failed)?;
    let lock = File::create(path.with_extension("lock")).map_err(failed)?;
    lock.lock().map_err(failed)?;
    Ok(lock)
}

fn write(path: &Path, text: &str) -> Result<(), SettingsError> {
    let failed = |source| file_error("write", path, source);
    let mut file = tempfile::NamedTempFile::new_in(folder(path)).map_err(failed)?;
    file.write_all(text.as_bytes()).map_err(failed)?;
    file.as_file().sync_all().map_err(failed)?;
    file.persist(path).map_err(|error| failed(error.error))?;
    Ok(())
}

fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    }
}

fn file_error(what: &'static str, path: &Path, source: io::Error) -> SettingsError {
    SettingsError::File {
        what,
        path: path.into(),
        source,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use throwproof_protocol::lcc::NodeIdRange;

    fn file(text: Option<&str>) -> (tempfile::TempDir, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new folder").join("settings.toml");
        if let Some(text) = text {
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(&path, text).unwrap();
        }
        (folder, path)
    }

    #[test]
    fn an_id_is_drawn_once_and_kept() {
        let (_folder, path) = file(None);
        let first = lcc_node(&path, NodeUse::Program).unwrap();
        assert!(first.is_new);
        assert_eq!(first.node.range(), NodeIdRange::Local);
        let again = lcc_node(&path, NodeUse::Program).unwrap();
        assert_eq!((again.node, again.is_new), (first.node, false));
        let track = lcc_node(&path, NodeUse::Track).unwrap();
        assert_ne!(track.node, first.node);
        assert_eq!(lcc_node(&path, NodeUse::Program).unwrap().node, first.node);
        let text = fs::read_to_string(&path).unwrap();
        assert_eq!(
            text,
            format!(
                "[lcc]\nnode = \"{}\"\ntrack_node = \"{}\"\n",
                first.node, track.node
            )
        );
        // Nothing is left beside it but the lock.
        let names = fs::read_dir(path.parent().unwrap()).unwrap().count();
        assert_eq!(names, 2);
    }

    #[test]
    fn ids_of_two_users_differ() {
        let drawn = [file(None), file(None)]
            .map(|(_folder, path)| lcc_node(&path, NodeUse::Program).unwrap().node);
        assert_ne!(drawn[0], drawn[1]);
    }

    #[test]
    fn what_a_person_wrote_stays() {
        let text = "# mine\n[other]\nkey = 1 # one\n\n[lcc] # ours\n# club id\nnode = \"03.00.01.02.03.04\"\n";
        let (_folder, path) = file(Some(text));
        let kept = lcc_node(&path, NodeUse::Program).unwrap();
        assert_eq!(
            (kept.node.to_string().as_str(), kept.is_new),
            ("03.00.01.02.03.04", false)
        );
        assert_eq!(fs::read_to_string(&path).unwrap(), text);
        let track = lcc_node(&path, NodeUse::Track).unwrap().node;
        assert_eq!(
            fs::read_to_string(&path).unwrap(),
            format!("{text}track_node = \"{track}\"\n")
        );
    }

    #[test]
    fn ids_that_are_none_are_refused_and_left_alone() {
        for (text, expected) in [
            ("[lcc]\nnode = \"01.02\"\n", "six bytes, not 2"),
            ("[lcc]\nnode = 7\n", "`lcc.node` in the settings"),
            (
                "[lcc]\nnode = \"00.00.00.00.00.01\"\n",
                "no node may have this id",
            ),
            ("lcc = 3\n", "is not a table"),
            ("[lcc\n", "are not TOML"),
        ] {
            let (_folder, path) = file(Some(text));
            let error = lcc_node(&path, NodeUse::Program).unwrap_err().to_string();
            assert!(error.contains(expected), "{error}");
            assert_eq!(fs::read_to_string(&path).unwrap(), text);
        }
    }

    #[test]
    fn keys_are_read_and_what_is_wrong_names_file_and_key() {
        let (_folder, path) = file(None);
        assert_eq!(keys(&path).unwrap(), KeyMap::default());
        let text = "[keys]\nstraight = \"PageUp\"\ndiverging = [\"pagedown\", \"d\"]\n";
        let (_folder, path) = file(Some(text));
        let expected = KeyMap::with([
            ("straight", vec!["pageup"]),
            ("diverging", vec!["pagedown", "d"]),
        ]);
        assert_eq!(keys(&path).unwrap(), expected.unwrap());
        for (text, expected) in [
            ("keys = 1", "`keys` in the settings"),
            ("[keys]\nstraight = 1", "`keys.straight` in the settings"),
            (
                "[keys]\nstraight = 1",
                "is 1: write the name of a key in quotes",
            ),
            (
                "[keys]\nstraight = [1]",
                "is [1]: write the name of a key in quotes",
            ),
            ("[keys]\nleft = \"1\"", "there is no answer of that name"),
            ("[keys]\nnote = \"f13\"", "`keys.note` in the settings"),
            ("[keys]\nnote = \"f13\"", "`f13` is no key"),
            ("[keys]\nnote = \"s\"", "`s` is the key of `straight` too"),
            ("[keys]\nnote = []", "it has no key left"),
        ] {
            let (_folder, path) = file(Some(text));
            let error = keys(&path).unwrap_err().to_string();
            assert!(error.contains(expected), "{error}");
            assert!(error.contains("settings.toml"), "{error}");
        }
    }

    #[test]
    fn programs_that_start_together_agree() {
        let (_folder, path) = file(None);
        let drawn: std::collections::BTreeSet<_> = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..8)
                .map(|_| scope.spawn(|| lcc_node(&path, NodeUse::Program).unwrap()))
                .collect();
            threads
                .into_iter()
                .map(|thread| thread.join().unwrap().node)
                .collect()
        });
        assert_eq!(drawn.len(), 1);
    }
}
