//! Values of planes that are used again: the system takes longer to hand over fresh pages, and to
//! clear them, than most stages take to fill them.

use std::any::Any;
use std::sync::{Mutex, PoisonError};

/// Shorter ones are left to the allocator, which is quick with them.
const LEAST_VALUES: usize = 1 << 18;

/// Most that are kept, whatever their length: a stage lets go of some planes while it makes others.
const MOST_KEPT: usize = 4;

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
