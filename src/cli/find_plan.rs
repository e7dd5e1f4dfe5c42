//! The plan that is meant when none is named.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::Failure;

/// The name that comes first.
const PLAN_HERE: &str = "plan.toml";

/// No file that is larger is looked into.
const LARGEST: u64 = 1 << 20;

/// What plans a folder has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Here {
    /// None.
    Nothing,
    /// This one is meant: it is called `plan.toml`, or is the only one.
    Plan(PathBuf),
    /// Several, none of them called `plan.toml`.
    Several(Vec<PathBuf>),
}

impl Here {
    /// Looks into the current folder.
    pub(super) fn look() -> Self {
        // A folder that can't be listed may still have a plan.toml.
        look_into(Path::new(".")).unwrap_or(Self::Nothing)
    }

    /// The plan that is named, or else the one of the current folder, for a command that needs one.
    pub(super) fn unless_named(named: Option<&PathBuf>) -> Result<PathBuf, Failure> {
        named.map_or_else(|| Self::look().required(), |path| Ok(path.clone()))
    }

    /// The plan, for a command that can do without; says which it is.
    pub(super) fn or_none(self) -> Option<PathBuf> {
        match self {
            Self::Plan(path) => {
                super::remark(&format!("using {} in this folder", path.display()));
                Some(path)
            }
            Self::Nothing | Self::Several(_) => None,
        }
    }

    /// The plan, for a command that needs one; says which it is.
    fn required(self) -> Result<PathBuf, Failure> {
        match self {
            Self::Several(paths) => {
                let names: Vec<_> = paths
                    .iter()
                    .map(|path| path.display().to_string())
                    .collect();
                Err(Failure::usage(
                    format!("this folder has several plans: {}", names.join(", ")),
                    "name one of them",
                ))
            }
            here @ (Self::Nothing | Self::Plan(_)) => here.or_none().ok_or_else(|| {
                Failure::usage(
                    "no plan is named, and this folder has none",
                    "name one, or make one with `throwproof new`",
                )
            }),
        }
    }
}

fn look_into(folder: &Path) -> io::Result<Here> {
    let first = Path::new(PLAN_HERE);
    if folder.join(first).exists() {
        return Ok(Here::Plan(first.to_owned()));
    }
    let mut plans = Vec::new();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.extension().is_some_and(|ending| ending == "toml") && is_plan(&path) {
            plans.extend(path.file_name().map(PathBuf::from));
        }
    }
    plans.sort_unstable();
    Ok(match plans.len() {
        0 => Here::Nothing,
        1 => plans.pop().map_or(Here::Nothing, Here::Plan),
        _ => Here::Several(plans),
    })
}

/// Whether it has the table that every plan has and nothing else does.
fn is_plan(path: &Path) -> bool {
    let is_small = fs::metadata(path).is_ok_and(|file| file.is_file() && file.len() <= LARGEST);
    let text = is_small.then(|| fs::read_to_string(path).ok()).flatten();
    text.is_some_and(|text| text.lines().any(|line| line.trim() == "[layout]"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in files {
            fs::write(folder.path().join(name), text).unwrap();
        }
        folder
    }

    #[test]
    fn the_one_that_is_meant_is_found() {
        let plan = "[layout]\nname = \"a\"\n";
        let other = "[station]\n";
        let cases: [(&[(&str, &str)], Here); 5] = [
            (&[], Here::Nothing),
            (&[("a.toml", other), ("b.txt", plan)], Here::Nothing),
            (
                &[("a.toml", plan), ("b.toml", other)],
                Here::Plan("a.toml".into()),
            ),
            (
                &[("plan.toml", "?"), ("a.toml", plan)],
                Here::Plan("plan.toml".into()),
            ),
            (
                &[("b.toml", plan), ("a.toml", plan)],
                Here::Several(vec!["a.toml".into(), "b.toml".into()]),
            ),
        ];
        for (files, expected) in cases {
            let folder = folder(files);
            assert_eq!(look_into(folder.path()).unwrap(), expected, "{files:?}");
        }
    }
}
