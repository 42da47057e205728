//! What can be chosen, typed or in `derig.toml`.

use clap::ValueEnum;

/// Bits of the mask's samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum MaskDepth {
    /// 8 bits
    #[value(name = "8")]
    Eight,
    /// 16 bits
    #[value(name = "16")]
    Sixteen,
}

impl MaskDepth {
    pub(super) fn bits(self) -> u8 {
        match self {
            Self::Eight => 8,
            Self::Sixteen => 16,
        }
    }
}

/// Format of the mask.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum MaskFormat {
    /// PNG
    Png,
    /// TIFF
    Tiff,
}

/// How a plan is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum PlanForm {
    /// For people
    Table,
    /// JSON lines, one set-up a line, for `--plan`
    Json,
}

/// Is kept what merging again needs?
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum RedoData {
    /// Keep it: `derig redo` is fast and exact
    Keep,
    /// Keep nothing: `derig redo` cleans the frame anew first
    None,
}

/// Is there to be a page to look at the frames and correct them?
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum PageChoice {
    /// Write it
    Write,
    /// Write none
    None,
}

/// Something for an editor; pictures are TIFF for TIFF frames, else PNG.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, ValueEnum)]
pub(super) enum LayerChoice {
    /// The plate laid over the lit frame
    AlignedPlate,
    /// The same in the lit frame's light
    RelitPlate,
    /// The relit plate where the mask takes it, as a transparent layer
    Patch,
    /// What each piece was taken for, drawn over the frame
    Labelled,
    /// One file with patch, lit frame and aligned plate
    Openraster,
}

/// Format of the cleaned frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum OutputFormat {
    /// That of the lit frame
    Same,
    /// PNG, lossless
    Png,
    /// TIFF, lossless
    Tiff,
    /// JPEG, 8 bits
    Jpeg,
}
