//! Values of planes that are used again: the system takes longer to hand over fresh pages, and to
//! clear them, than most stages take to fill them.

use std::any::Any;
use std::sync::{Mutex, PoisonError};

/// Shorter ones are left to the allocator, which is quick with them.
const LEAST_VALUES: usize = 1 << 18;

/// Most that are kept, whatever their length: a stage lets go of some planes while it makes others.
const MOST_KEPT: usize = 10;

/// From so many bytes on glibc's allocator asks the system for pages and gives them back at once. Of
/// smaller ones it keeps what is freed, between others, to itself: more than a hundred megabytes
/// of a 24 MP frame's planes.
const OWN_PAGES: usize = 33 << 20;

/// Bytes that are worth it: below, fresh pages cost more than is held back.
const LEAST_BYTES: usize = 4 << 20;

/// Is there such an allocator, and are there addresses in plenty?
const HAS_OWN_PAGES: bool = cfg!(all(
    target_os = "linux",
    target_env = "gnu",
    target_pointer_width = "64"
));

static KEPT: Mutex<Vec<Vec<f32>>> = Mutex::new(Vec::new());

/// `count` values of any kind for which `f32` stands here, left over from somewhere: all of them are
/// to be set. `None` when there are none of this length.
pub(super) fn taken<T: 'static>(count: usize) -> Option<Vec<T>> {
    if count < LEAST_VALUES {
        return None;
    }
    let mut found: Option<Vec<T>> = None;
    let slot = (&mut found as &mut dyn Any).downcast_mut::<Option<Vec<f32>>>()?;
    let mut kept = KEPT.lock().unwrap_or_else(PoisonError::into_inner);
    let at = kept.iter().rposition(|values| values.len() == count)?;
    *slot = Some(kept.swap_remove(at));
    found
}

/// `count` zeros of any kind for which `f32` stands here, from pages of their own; `None` where the
/// allocator does as well.
pub(super) fn zeros<T: 'static>(count: usize) -> Option<Vec<T>> {
    if !HAS_OWN_PAGES || count < LEAST_VALUES {
        return None;
    }
    let mut found: Option<Vec<T>> = None;
    let slot = (&mut found as &mut dyn Any).downcast_mut::<Option<Vec<f32>>>()?;
    // Pages that are not touched take no memory.
    let mut values = vec![0.0f32; count.max(OWN_PAGES / size_of::<f32>())];
    values.truncate(count);
    *slot = Some(values);
    found
}

/// How many values to ask for, so that `count` of them lie on pages of their own where that is worth it.
fn room_for<T>(count: usize) -> usize {
    let size = size_of::<T>().max(1);
    let is_large = HAS_OWN_PAGES && count.saturating_mul(size) >= LEAST_BYTES;
    if is_large {
        count.max(OWN_PAGES / size)
    } else {
        count
    }
}

/// `count` zeros, on pages of their own where there are many: those that nobody touches take nothing.
pub(crate) fn zeroed<T: Clone + Default>(count: usize) -> Vec<T> {
    let mut values = vec![T::default(); room_for::<T>(count)];
    values.truncate(count);
    values
}

/// Room for `count` values, on pages of their own where there are many.
pub(crate) fn roomy<T>(count: usize) -> Vec<T> {
    Vec::with_capacity(room_for::<T>(count))
}

/// Gives back what is kept: before work that needs memory for other things.
pub(crate) fn give_back() {
    let kept = std::mem::take(&mut *KEPT.lock().unwrap_or_else(PoisonError::into_inner));
    drop(kept);
}

/// Keeps the values for others, if they are worth it; the oldest go.
pub(super) fn given<T: 'static>(mut values: Vec<T>) {
    if values.len() < LEAST_VALUES {
        return;
    }
    let Some(values) = (&mut values as &mut dyn Any).downcast_mut::<Vec<f32>>() else {
        return;
    };
    let values = std::mem::take(values);
    let mut kept = KEPT.lock().unwrap_or_else(PoisonError::into_inner);
    let oldest = (kept.len() >= MOST_KEPT).then(|| kept.remove(0));
    kept.push(values);
    drop(kept);
    drop(oldest);
}
