//! A symlink with a name that stays the same, whatever the pseudo-terminal is called.

use std::fs;
use std::io;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use super::ServeError;

/// A symlink that goes when this is dropped.
#[derive(Debug)]
pub(super) struct StableName {
    path: PathBuf,
    target: PathBuf,
}

impl StableName {
    /// Makes the symlink. One that is there is replaced: it is of a run that was killed, or of
    /// one that now loses it. Anything else that is there is left alone.
    pub(super) fn make(path: PathBuf, target: &Path) -> Result<Self, ServeError> {
        match fs::symlink_metadata(&path) {
            Ok(there) if there.file_type().is_symlink() => {
                if let Err(source) = fs::remove_file(&path) {
                    return Err(ServeError::Symlink { path, source });
                }
            }
            Ok(_) => return Err(ServeError::InTheWay { path }),
            // What else is wrong shows when it is made.
            Err(_) => {}
        }
        // It never overwrites, so what came in between is safe too.
        match symlink(target, &path) {
            Ok(()) => Ok(Self {
                path,
                target: target.to_owned(),
            }),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                Err(ServeError::InTheWay { path })
            }
            Err(source) => Err(ServeError::Symlink { path, source }),
        }
    }
}

impl StableName {
    /// Makes it point elsewhere.
    pub(super) fn point_to(&mut self, target: &Path) -> Result<(), ServeError> {
        let path = self.path.clone();
        // The old one, if it is still there, is a symlink and so replaced.
        *self = Self::make(path, target)?;
        Ok(())
    }
}

impl Drop for StableName {
    fn drop(&mut self) {
        // Another run may have taken the name.
        let is_ours = fs::read_link(&self.path).is_ok_and(|target| target == self.target);
        if is_ours && let Err(error) = fs::remove_file(&self.path) {
            tracing::warn!(path = %self.path.display(), %error, "the symlink can't be removed");
        }
    }
}
