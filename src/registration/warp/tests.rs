//! Waves, shifts and highlights with known answers.

use super::*;
use crate::scene::Homography;

const SIZE: Size = Size {
    columns: 90,
    rows: 70,
};

fn registration(homography: Homography) -> Registration {
    Registration {
        model: Model::Homography,
        homography,
        field: None,
        residual_px: 0.0,
        tiles: 0,
        inverse: homography.inverse().unwrap(),
    }
}

fn of(light: impl Fn(f64, f64) -> f64 + Sync) -> SceneLinear {
    let plane = Plane::from_fn(SIZE, |x, y| light(x as f64, y as f64) as f32);
    SceneLinear {
        channels: [
            plane.clone(),
            plane.map(|v| 2.0 * v),
            plane.map(|v| 1.0 - v),
        ],
    }
}

fn waves(x: f64, y: f64) -> f64 {
    0.5 + 0.2 * (0.6 * x + 0.3 * y).sin() + 0.2 * (0.2 * x - 0.7 * y).cos()
}

#[test]
fn a_shift_by_whole_pixels_copies_samples() {
    let plate = of(waves);
    let (warped, shown) =
        warp_plate_to_lit(&plate, &registration(Homography::shift(3.0, -2.0)), SIZE);
    for (x, y) in [(3, 0), (40, 30), (89, 67)] {
        assert_eq!(warped.at(x, y), plate.at(x - 3, y + 2));
    }
    assert!(!shown.at(2, 30) && *shown.at(3, 30));
    assert!(!shown.at(40, 68) && *shown.at(40, 67));
    assert_eq!(warped.at(0, 69), [0.0; 3]);
}

#[test]
fn waves_of_eight_pixels_are_resampled_to_a_hundredth_of_their_height() {
    let map = Homography::from_rows([1.01, 0.02, 1.3, -0.03, 0.99, 2.4, 1e-5, 2e-5, 1.0]).unwrap();
    let (warped, _) = warp_plate_to_lit(&of(waves), &registration(map), SIZE);
    let back = map.inverse().unwrap();
    for y in 10..60 {
        for x in 10..80 {
            let p = back.apply(Point {
                x: x as f64,
                y: y as f64,
            });
            let [red, green, blue] = warped.at(x, y).map(f64::from);
            let exact = waves(p.x, p.y);
            assert!((red - exact).abs() < 4e-3, "{x}, {y}: {red} {exact}");
            assert!((green - 2.0 * exact).abs() < 8e-3 && (blue - 1.0 + exact).abs() < 4e-3);
        }
    }
}

#[test]
fn a_window_is_a_piece_of_the_whole() {
    let map = Homography::from_rows([1.01, 0.02, 1.3, -0.03, 0.99, 2.4, 1e-5, 2e-5, 1.0]).unwrap();
    let (plate, registration) = (of(waves), registration(map));
    let (whole, _) = warp_plate_to_lit(&plate, &registration, SIZE);
    let window = Window {
        left: 16,
        top: 20,
        right: 90,
        bottom: 43,
    };
    let read = |part: Window| SceneLinear {
        channels: plate.channels.each_ref().map(|channel| {
            Plane::from_fn(part.size(), |x, y| *channel.at(part.left + x, part.top + y))
        }),
    };
    let (piece, _) = warp_window(read, SIZE, &registration, (window, None));
    for (y, x) in [(0, 0), (10, 20), (22, 73)] {
        let (a, b) = (piece.at(x, y), whole.at(16 + x, 20 + y));
        assert!(
            a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-5),
            "{x}, {y}"
        );
    }
}

#[test]
fn a_window_beyond_the_plate_shows_nothing() {
    let registration = registration(Homography::shift(500.0, 0.0));
    let window = whole(SIZE);
    let read = |_| unreachable!("there is nothing to read");
    let (picture, shown) = warp_window(read, SIZE, &registration, (window, None));
    assert_eq!(picture, SceneLinear::filled(SIZE, 0.0));
    assert!(shown.as_slice().iter().all(|&shown| !shown));
}

#[test]
fn a_highlight_leaves_no_dark_rim() {
    let plate = of(|x, _| if x < 45.0 { 0.02 } else { 30.0 });
    let (warped, _) = warp_plate_to_lit(&plate, &registration(Homography::shift(0.5, 0.25)), SIZE);
    let darkest = warped.channels[0]
        .as_slice()
        .iter()
        .copied()
        .filter(|&v| v > 0.0);
    assert!(darkest.fold(f32::INFINITY, f32::min) >= 0.015);
}
