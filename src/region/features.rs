//! The features of a piece, by name.

/// Declares the feature struct once: fields, names and order cannot disagree.
macro_rules! features {
    ($($(#[$doc:meta])* $name:ident),+ $(,)?) => {
        /// What is measured of one piece of change. Lengths are shares of the frame's long side,
        /// areas shares of the frame, differences CIE94, ratios ln units.
        #[derive(Debug, Clone, Copy, PartialEq, Default)]
        pub struct PieceFeatures {
            $($(#[$doc])* pub $name: f32,)+
        }

        /// Names of the features, in order.
        pub const FEATURE_NAMES: &[&str] = &[$(stringify!($name)),+];

        /// Number of features.
        pub const FEATURE_COUNT: usize = FEATURE_NAMES.len();

        impl PieceFeatures {
            /// The values in the order of [`FEATURE_NAMES`].
            pub fn to_row(&self) -> [f32; FEATURE_COUNT] {
                [$(self.$name),+]
            }

            /// The features from values in the order of [`FEATURE_NAMES`].
            pub fn from_row(row: &[f32; FEATURE_COUNT]) -> Self {
                let [$($name),+] = *row;
                Self { $($name),+ }
            }
        }
    };
}

features! {
    /// log10 of the area.
    area,
    /// Horizontal distance of the centre from the frame's middle.
    off_centre,
    /// Height of the centre, 0 top .. 1 bottom of the frame.
    height_in_frame,
    /// 1 when the piece touches the upper border.
    touches_top,
    /// 1 when it touches the left or right border.
    touches_side,
    /// 1 when it touches the lower border.
    touches_bottom,
    /// Width of the box.
    box_width,
    /// Height of the box.
    box_height,
    /// Share of its box that it fills.
    fill,
    /// Twice the area over the perimeter: half its thickness.
    thickness,
    /// Visible difference to the relit plate.
    difference,
    /// Mean ln ratio above the pool.
    excess,
    /// Spread of the same within the piece.
    excess_spread,
    /// ln ratio red over green, above the pool's.
    excess_red,
    /// ln ratio blue over green, above the pool's.
    excess_blue,
    /// Lightness in the lit frame.
    lit_lightness,
    /// CIELAB a in the lit frame.
    lit_a,
    /// CIELAB b in the lit frame.
    lit_b,
    /// Spread of lightness in the lit frame.
    lit_spread,
    /// Share of clipped pixels in the lit frame.
    lit_clipped,
    /// Lightness of the relit plate.
    plate_lightness,
    /// CIELAB a of the relit plate.
    plate_a,
    /// CIELAB b of the relit plate.
    plate_b,
    /// Structure agreement, fine window.
    agreement_fine,
    /// Structure agreement, coarse window.
    agreement_coarse,
    /// Lowest coarse structure agreement that a tenth of the piece has.
    agreement_low,
    /// Texture of the plate.
    plate_texture,
    /// Texture of the lit frame.
    lit_texture,
    /// Edge that only the lit frame has, along the rim.
    rim_new_edge,
    /// Edge that only the plate has, along the rim.
    rim_lost_edge,
    /// Edge that only the lit frame has, within.
    inner_new_edge,
    /// Edge that only the plate has, within.
    inner_lost_edge,
    /// Share that is open sky in the plate.
    plate_sky,
    /// Share whose lit colour fits the sky.
    lit_sky,
    /// Smallest difference to the plate's tones within a few pixels: low for leaves and grass.
    sway,
    /// Share whose lit colour could be skin.
    skin,
    /// Share of the blob of change that the piece belongs to.
    blob_area,
    /// Width of the blob's box.
    blob_width,
    /// Height of the blob's box.
    blob_height,
    /// 1 when the blob touches the upper border.
    blob_touches_top,
    /// 1 when the blob touches a side.
    blob_touches_side,
    /// 1 when the blob touches the lower border.
    blob_touches_bottom,
    /// Horizontal distance of the blob's centre from the frame's middle.
    blob_off_centre,
    /// Mean coarse agreement of the blob.
    blob_agreement,
    /// Mean difference of the adjoining pieces, by shared rim; 0 beside unchanged surroundings.
    near_difference,
    /// Mean excess of the adjoining pieces and unchanged surroundings.
    near_excess,
    /// Mean coarse agreement of the adjoining pieces and unchanged surroundings.
    near_agreement,
    /// Mean lightness of the adjoining pieces in the lit frame.
    near_lightness,
    /// Share of the rim that adjoins unchanged surroundings.
    near_unchanged,
    /// Mean ln ratio above the ambient gain: 0 for a flash shadow, where the flash does not reach.
    above_ambient,
    /// Spread of the three channels' ln ratio about their mean: small for light, large for things.
    ratio_colour,
    /// Share of the rim where the plate has an edge too: facets end at edges, shadows don't.
    rim_plate_edge,
    /// Structure agreement within the piece alone, whatever its surroundings: near 1 for the plate's
    /// own surface in another light, also where there is nothing to compare.
    inner_agreement,
    /// Texture of the plate within the piece alone (standard deviation, ln).
    inner_texture,
    /// Share of the companions that show the same here (stillness).
    still,
    /// Share of the companions that show the plate here.
    returns,
    /// Stillness of the blob.
    blob_still,
    /// Share of the blob that returns to the plate.
    blob_returns,
    /// Stillness of the adjoining pieces.
    near_still,
    /// Share of the adjoining pieces that return to the plate.
    near_returns,
    /// Distance to the nearest large standing thing that is not the plate's surface.
    to_standing,
    /// Distance to the nearest large moving thing that is not the plate's surface.
    to_moving,
    /// Share that lies within the hull of a large moving thing.
    in_moving_hull,
}

/// Features that say something only when other poses were seen: those from `still` on.
pub const FIRST_STILLNESS_FEATURE: &str = "still";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_values_are_in_one_order() {
        let features = PieceFeatures {
            in_moving_hull: 3.0,
            area: 1.0,
            ..PieceFeatures::default()
        };
        let row = features.to_row();
        assert_eq!((row[0], row[FEATURE_COUNT - 1]), (1.0, 3.0));
        assert_eq!(
            (FEATURE_NAMES[0], FEATURE_NAMES[FEATURE_COUNT - 1]),
            ("area", "in_moving_hull")
        );
        assert!(FEATURE_NAMES.contains(&FIRST_STILLNESS_FEATURE));
    }
}
