//! Is it the same file, whatever path, symbolic or hard link leads to it?

use std::path::Path;

/// What makes a file one file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct FileIdentity {
    canonical: std::path::PathBuf,
    #[cfg(unix)]
    device_and_inode: (u64, u64),
}

impl FileIdentity {
    /// Of an existing file, links followed; `None` when there is none.
    pub(super) fn of(path: &Path) -> Option<Self> {
        Some(Self {
            canonical: path.canonicalize().ok()?,
            #[cfg(unix)]
            device_and_inode: {
                use std::os::unix::fs::MetadataExt;
                let metadata = path.metadata().ok()?;
                (metadata.dev(), metadata.ino())
            },
        })
    }

    pub(super) fn is_same_file(&self, other: &Self) -> bool {
        #[cfg(unix)]
        if self.device_and_inode == other.device_and_inode {
            return true;
        }
        self.canonical == other.canonical
    }
}
