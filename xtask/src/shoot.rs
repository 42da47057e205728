//! Are set-ups and plates found among mixed frames?

use std::collections::BTreeSet;
use std::error::Error;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::PathBuf;

use derig::photo::{self, CameraFacts, ReadLimits};
use derig::shoot::{Look, PlateSought, sort};

/// What frames say of themselves.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Tags {
    Kept,
    Dropped,
}

/// Sorts all frames of the scenes of `sets`, mixed, and prints what was found.
pub fn sort_mixed(sets: &[PathBuf], tags: Tags) -> Result<(), Box<dyn Error>> {
    let mut frames = Vec::new();
    for set in sets {
        for folder in crate::scenes::folders(set)? {
            for entry in std::fs::read_dir(&folder)? {
                let path = entry?.path();
                let name = path.file_name().unwrap_or_default().to_string_lossy();
                let is_frame = name.starts_with("plate") || name.starts_with("lit-");
                if is_frame && name.ends_with(".jpg") {
                    frames.push((folder.clone(), name.starts_with("plate"), path.clone()));
                }
            }
        }
    }
    // In an order that says nothing, the same each time.
    frames.sort_by_key(|(_, _, path)| {
        let mut hasher = DefaultHasher::new();
        path.hash(&mut hasher);
        hasher.finish()
    });
    let mut looks = Vec::new();
    for (_, _, path) in &frames {
        let mut photo = photo::read(path, &ReadLimits::default())?;
        if tags == Tags::Dropped {
            photo.camera = CameraFacts::default();
        }
        looks.push(Look::of(&photo));
    }
    let scenes: BTreeSet<_> = frames.iter().map(|(scene, _, _)| scene).collect();
    let (mut right, mut wrong, mut asked) = (0, 0, 0);
    for (members, sought) in sort(&looks) {
        let scene = &frames[members[0]].0;
        let all: BTreeSet<_> = (0..frames.len())
            .filter(|&i| frames[i].0 == *scene)
            .collect();
        let is_whole = members.iter().copied().collect::<BTreeSet<_>>() == all;
        match sought {
            PlateSought::Found { plates, reason } => {
                let is_right =
                    is_whole && members.iter().all(|m| frames[*m].1 == plates.contains(m));
                right += usize::from(is_right);
                wrong += usize::from(!is_right);
                let word = if is_right { "right" } else { "WRONG" };
                println!("{word}  {}  {reason}", scene.display());
            }
            PlateSought::Ambiguous { why, .. } => {
                asked += 1;
                println!("asked  {}  {why}", scene.display());
            }
            PlateSought::Alone => {
                asked += 1;
                println!("asked  {}  alone", scene.display());
            }
        }
    }
    println!(
        "{} scenes, {} frames: {right} right, {wrong} wrong, {asked} asked",
        scenes.len(),
        frames.len()
    );
    Ok(())
}
