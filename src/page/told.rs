//! What a check says, and what to do about it.

use maud::{Markup, html};

use super::words;
use crate::check::{Bearing, Reason};

/// Reasons in the order they are given; `place` tells at which number one is to be seen at 100 %.
pub(super) fn reasons(told: &[Reason], place: impl Fn(&Reason) -> Option<usize>) -> Markup {
    html! {
        @if !told.is_empty() {
            ol.told {
                @for reason in told { (one(reason, place(reason))) }
            }
        }
    }
}

fn one(reason: &Reason, place: Option<usize>) -> Markup {
    let (bearing, key) = match reason.bearing {
        Bearing::Spoils => ("spoils the frame", "spoils"),
        Bearing::Doubtful => ("in doubt", "doubtful"),
        Bearing::Noted => ("noted", "noted"),
    };
    let number = words::measured(&reason.measured);
    html! {
        li class=(key) {
            b.bearing { (bearing) } ": " (reason.what) " "
            span.where {
                "(" (reason.place_in_words)
                @if let Some(place) = place { ", place " (place) }
                @if !number.is_empty() { "; " (number) }
                ")"
            }
            p.now { "Now: " (reason.now) }
        }
    }
}
