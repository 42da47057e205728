//! What a piece of the picture is.

use serde::{Deserialize, Serialize};

/// The class of a region or pixel; the discriminants are the label indices of the scene format.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default,
)]
#[serde(rename_all = "kebab-case")]
#[repr(u8)]
pub enum Label {
    /// Nothing that concerns the clean-up: background, or a change that is light alone.
    #[default]
    Other = 0,
    /// Lighting gear: modifier, head, boom, stand, cable, sandbag, reflector.
    Gear = 1,
    /// Shadow that gear casts.
    GearShadow = 2,
    /// Specular image of flash or gear in a glossy surface.
    Glint = 3,
    /// The person who is portrayed, and what the person holds.
    Person = 4,
    /// Shadow that the person casts: it belongs to the picture.
    PersonShadow = 5,
    /// Open sky.
    Sky = 6,
    /// What moves by itself: leaves, grass, water, flags, passers-by.
    Sway = 7,
}

/// Every label, in index order.
pub const LABELS: [Label; 8] = [
    Label::Other,
    Label::Gear,
    Label::GearShadow,
    Label::Glint,
    Label::Person,
    Label::PersonShadow,
    Label::Sky,
    Label::Sway,
];

impl Label {
    /// The label of an index, [`Label::Other`] for an unknown one.
    pub fn from_index(index: u8) -> Self {
        LABELS.get(index as usize).copied().unwrap_or_default()
    }

    /// Index in the scene format.
    pub fn index(self) -> u8 {
        self as u8
    }

    /// Does the clean-up take this out of the picture?
    pub fn is_removed(self) -> bool {
        matches!(self, Self::Gear | Self::GearShadow | Self::Glint)
    }

    /// Does this belong to the person, who must not be harmed?
    pub fn is_person(self) -> bool {
        matches!(self, Self::Person | Self::PersonShadow)
    }

    /// In a sentence: `gear shadow`.
    pub fn words(self) -> String {
        self.name().replace('-', " ")
    }

    /// Name in reports and tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Other => "other",
            Self::Gear => "gear",
            Self::GearShadow => "gear-shadow",
            Self::Glint => "glint",
            Self::Person => "person",
            Self::PersonShadow => "person-shadow",
            Self::Sky => "sky",
            Self::Sway => "sway",
        }
    }
}
