//! The set-up as an SVG drawing: from above, and through the lens.
//!
//! Colours are Okabe & Ito's (2008); hatching and labels tell the same without colour.

use maud::{Markup, html};

use super::setup::{Setup, Vector, extent};
use super::view::{Place, percent};

/// Of each panel, in SVG units.
const PANEL: [f64; 2] = [480.0, 440.0];
/// From the middle of the modifier to its label, metres.
const LABEL_ROOM: f64 = 0.3;
/// Round the panels.
const GAP: f64 = 20.0;
/// For a panel's heading.
const HEADING: f64 = 34.0;
/// Room round the set-up as seen from above, metres.
const ROOM: f64 = 0.6;
/// The field of view goes on behind everything else; the panel cuts it, metres.
const BEHIND: f64 = 100.0;
/// Room round the picture, share of its longer side, so that what is just outside is seen.
const OUTSIDE: f64 = 0.3;
/// Corners of a head.
const HEAD_CORNERS: usize = 24;
/// Half the height of a head over a person's height (seven to eight heads a person: common
/// practice, no source).
const HEAD_RADIUS: f64 = 0.065;

const GEAR: &str = "#d55e00";
const PERSON: &str = "#009e73";
const FIELD: &str = "#56b4e9";
const LINE: &str = "#222222";
const QUIET: &str = "#777777";

/// The drawing as a file's text.
pub fn svg(setup: &Setup) -> String {
    let width = 2.0 * PANEL[0] + 3.0 * GAP;
    let height = PANEL[1] + HEADING + 2.0 * GAP;
    let markup = html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox=(format!("0 0 {width} {height}"))
            width=(width) height=(height) role="img" aria-labelledby="title about"
            font-family="sans-serif" font-size="14" {
            title id="title" { "Camera, person and light" }
            desc id="about" { (about(setup)) }
            (definitions(setup))
            rect width="100%" height="100%" fill="white" {}
            g transform=(format!("translate({GAP} {GAP})")) { (from_above(setup)) }
            g transform=(format!("translate({} {GAP})", PANEL[0] + 2.0 * GAP)) {
                (through_lens(setup))
            }
        }
    };
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n",
        markup.into_string()
    )
}

fn about(setup: &Setup) -> String {
    let view = setup.view();
    let shows = if view.modifier_shows() {
        format!(
            "{} of the modifier is in the picture",
            percent(view.modifier_share)
        )
    } else {
        "the modifier is not in the picture".to_owned()
    };
    format!(
        "Left: from above, camera {:.2} m from the person, light {:.2} m from the face. Right: \
         through the lens, {shows}.",
        setup.camera.distance.0, setup.light.distance.0
    )
}

fn definitions(setup: &Setup) -> Markup {
    let frame = Frame::of(setup);
    html! {
        defs {
            pattern id="hatch" width="8" height="8" patternUnits="userSpaceOnUse"
                patternTransform="rotate(45)" {
                rect width="8" height="8" fill=(GEAR) fill-opacity="0.25" {}
                line x1="0" y1="0" x2="0" y2="8" stroke=(GEAR) stroke-width="3" {}
            }
            clipPath id="panel" {
                rect y=(HEADING) width=(PANEL[0]) height=(PANEL[1]) {}
            }
            clipPath id="picture" { (frame.rectangle("none", "none")) }
        }
    }
}

fn heading(text: &str) -> Markup {
    html! {
        text y="16" font-size="17" font-weight="bold" fill=(LINE) { (text) }
        rect y=(HEADING) width=(PANEL[0]) height=(PANEL[1]) fill="none" stroke=(QUIET) {}
    }
}

fn points(places: impl IntoIterator<Item = [f64; 2]>) -> String {
    let places: Vec<_> = places
        .into_iter()
        .map(|[x, y]| format!("{x:.2},{y:.2}"))
        .collect();
    places.join(" ")
}

/// Text with a white rim, drawn twice: not every viewer knows `paint-order`.
fn label([x, y]: [f64; 2], anchor: &str, text: &str) -> Markup {
    let (x, y) = (format!("{x:.2}"), format!("{y:.2}"));
    html! {
        text x=(x) y=(y) text-anchor=(anchor) fill="white" stroke="white" stroke-width="4"
            stroke-linejoin="round" aria-hidden="true" { (text) }
        text x=(x) y=(y) text-anchor=(anchor) fill=(LINE) { (text) }
    }
}

fn line(from: [f64; 2], to: [f64; 2], stroke: &str, dashes: &str) -> Markup {
    html! {
        line x1=(format!("{:.2}", from[0])) y1=(format!("{:.2}", from[1]))
            x2=(format!("{:.2}", to[0])) y2=(format!("{:.2}", to[1]))
            stroke=(stroke) stroke-width="2" stroke-dasharray=(dashes) {}
    }
}

/// Ground plan: metres to the panel's units, away from the camera upwards.
struct Ground {
    scale: f64,
    left: f64,
    far: f64,
    margin: [f64; 2],
}

impl Ground {
    fn holding(places: &[Vector]) -> Self {
        let (left, right) = extent(places.iter().map(|p| p.x));
        let (near, far) = extent(places.iter().map(|p| p.y));
        let (width, depth) = (right - left + 2.0 * ROOM, far - near + 2.0 * ROOM);
        let scale = (PANEL[0] / width).min(PANEL[1] / depth);
        Self {
            scale,
            left: left - ROOM,
            far: far + ROOM,
            margin: [
                (PANEL[0] - scale * width) / 2.0,
                (PANEL[1] - scale * depth) / 2.0,
            ],
        }
    }

    fn at(&self, place: Vector) -> [f64; 2] {
        [
            self.margin[0] + self.scale * (place.x - self.left),
            HEADING + self.margin[1] + self.scale * (self.far - place.y),
        ]
    }
}

fn between(a: Vector, b: Vector) -> Vector {
    (a + b) / 2.0
}

fn from_above(setup: &Setup) -> Markup {
    let lens = setup.lens_place();
    let person = Vector::zeros();
    let light = setup.light_place();
    let foot = setup.foot();
    let corners = setup.modifier();
    let half = setup.camera.lens.horizontal().radians() / 2.0;
    let turn = setup.camera.turn.radians();
    let border = |angle: f64| lens + Vector::new(angle.sin(), angle.cos(), 0.0) * BEHIND;
    let (left, right) = (border(turn - half), border(turn + half));
    let places = [&corners[..], &[lens, person, light, foot]].concat();
    let ground = Ground::holding(&places);
    let at = |place| ground.at(place);
    let shoulders = setup.person.shoulders().0 / 2.0 * ground.scale;
    let [person_x, person_y] = at(person);
    let camera = at(lens);
    let beside = |place: [f64; 2], dx: f64, dy: f64| [place[0] + dx, place[1] + dy];
    let light_side = if light.x < 0.0 { "end" } else { "start" };
    let away = if light.x < 0.0 { -14.0 } else { 14.0 };
    html! {
        (heading("From above"))
        g clip-path="url(#panel)" {
            polygon points=(points([camera, at(left), at(right)])) fill=(FIELD)
                fill-opacity="0.18" stroke=(FIELD) {}
            (line(camera, [person_x, person_y], QUIET, "4 4"))
            (line([person_x, person_y], at(light), QUIET, "4 4"))
            ellipse cx=(format!("{person_x:.2}")) cy=(format!("{person_y:.2}"))
                rx=(format!("{shoulders:.2}")) ry=(format!("{:.2}", shoulders * 0.6))
                fill=(PERSON) stroke=(LINE) {}
            (line(at(foot), at(light), LINE, "none"))
            (stand_from_above(at(foot)))
            polygon points=(points(corners.iter().map(|&c| at(c)))) fill="url(#hatch)"
                stroke=(GEAR) stroke-width="2" {}
            rect x=(format!("{:.2}", camera[0] - 11.0)) y=(format!("{:.2}", camera[1] - 8.0))
                width="22" height="16" fill=(LINE) {}
            (label(beside(camera, 18.0, 5.0), "start", "camera"))
            (label([person_x - shoulders - 6.0, person_y + 5.0], "end", "person"))
            (label(beside(at(light + setup.outwards() * LABEL_ROOM), 0.0, 5.0), light_side,
                "light"))
            (label(beside(at(between(lens, person)), -8.0, 0.0), "end",
                &format!("{:.2} m", setup.camera.distance.0)))
            (label(beside(at(between(light, person)), away, -6.0), light_side,
                &format!("{:.2} m", setup.light.distance.0)))
            (scale_bar(ground.scale))
        }
    }
}

fn stand_from_above([x, y]: [f64; 2]) -> Markup {
    html! {
        circle cx=(format!("{x:.2}")) cy=(format!("{y:.2}")) r="5" fill="white" stroke=(LINE)
            stroke-width="2" {}
    }
}

fn scale_bar(scale: f64) -> Markup {
    let y = HEADING + PANEL[1] - 14.0;
    html! {
        (line([14.0, y], [14.0 + scale, y], LINE, "none"))
        (line([14.0, y - 5.0], [14.0, y + 5.0], LINE, "none"))
        (line([14.0 + scale, y - 5.0], [14.0 + scale, y + 5.0], LINE, "none"))
        (label([20.0 + scale, y + 5.0], "start", "1 m"))
    }
}

/// The picture within its panel.
struct Frame {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
}

impl Frame {
    fn of(setup: &Setup) -> Self {
        let sensor = setup.camera.lens.sensor;
        let (width, height) = (sensor.width.0, sensor.height.0);
        let margin = 2.0 * OUTSIDE * width.max(height);
        let scale = (PANEL[0] / (width + margin)).min(PANEL[1] / (height + margin));
        let (width, height) = (scale * width, scale * height);
        Self {
            left: (PANEL[0] - width) / 2.0,
            top: HEADING + (PANEL[1] - height) / 2.0,
            width,
            height,
        }
    }

    fn at(&self, place: &Place) -> [f64; 2] {
        [
            self.left + place.x * self.width,
            self.top + place.y * self.height,
        ]
    }

    fn rectangle(&self, fill: &str, stroke: &str) -> Markup {
        html! {
            rect x=(format!("{:.2}", self.left)) y=(format!("{:.2}", self.top))
                width=(format!("{:.2}", self.width)) height=(format!("{:.2}", self.height))
                fill=(fill) stroke=(stroke) stroke-width="2" {}
        }
    }
}

fn through_lens(setup: &Setup) -> Markup {
    let frame = Frame::of(setup);
    let behind = setup.light_place().y >= 0.0;
    let gear = gear(setup, &frame);
    let person = person(setup, &frame);
    let view = setup.view();
    let says = if view.modifier_shows() {
        format!(
            "{} of the modifier shows: {} of the picture",
            percent(view.modifier_share),
            percent(view.covered)
        )
    } else {
        "the modifier is out of the picture".to_owned()
    };
    let field = setup.camera.lens.field_at(setup.camera.distance);
    let horizon = 0.5
        + setup.camera.tilt.radians().tan() * setup.camera.lens.focal.0
            / setup.camera.lens.sensor.height.0;
    let level = |x: f64| frame.at(&Place { x, y: horizon });
    html! {
        (heading("Through the lens"))
        g clip-path="url(#panel)" {
            rect y=(HEADING) width=(PANEL[0]) height=(PANEL[1]) fill="#dddddd" {}
            (frame.rectangle("white", "none"))
            g clip-path="url(#picture)" { (line(level(0.0), level(1.0), QUIET, "2 6")) }
            @if behind { (gear) (person) } @else { (person) (gear) }
            (frame.rectangle("none", LINE))
            (label([PANEL[0] / 2.0, HEADING + 22.0], "middle", &says))
            (label([PANEL[0] / 2.0, HEADING + PANEL[1] - 12.0], "middle",
                &format!("{:.2} x {:.2} m at the person", field[0].0, field[1].0)))
        }
    }
}

fn gear(setup: &Setup, frame: &Frame) -> Markup {
    let seen = |piece: &[Vector]| points(setup.outline(piece).iter().map(|p| frame.at(p)));
    html! {
        @for piece in setup.support() {
            polygon points=(seen(&piece)) fill=(LINE) fill-opacity="0.7" stroke=(LINE) {}
        }
        polygon points=(seen(&setup.modifier())) fill="url(#hatch)" stroke=(GEAR)
            stroke-width="2" {}
    }
}

fn person(setup: &Setup, frame: &Frame) -> Markup {
    let height = setup.person.height.0;
    let radius = HEAD_RADIUS * height;
    let head: Vec<Vector> = (0..HEAD_CORNERS)
        .map(|i| std::f64::consts::TAU * i as f64 / HEAD_CORNERS as f64)
        .map(|a| {
            Vector::new(
                0.7 * radius * a.cos(),
                0.0,
                height - radius + radius * a.sin(),
            )
        })
        .collect();
    let half = setup.person.shoulders().0 / 2.0;
    // Half width and height over the person's: feet, hips, shoulders, neck.
    let body = [(0.45, 0.0), (0.7, 0.5), (1.0, 0.8), (0.3, 0.88)];
    let side = |sign: f64| body.map(|(x, z)| Vector::new(sign * x * half, 0.0, z * height));
    let mut left = side(-1.0);
    left.reverse();
    let body = [side(1.0), left].concat();
    let seen = |piece: &[Vector]| points(setup.outline(piece).iter().map(|p| frame.at(p)));
    html! {
        polygon points=(seen(&body)) fill=(PERSON) stroke=(LINE) {}
        polygon points=(seen(&head)) fill=(PERSON) stroke=(LINE) {}
    }
}

#[cfg(test)]
mod tests {
    use super::super::setup::tests::usual;
    use super::*;

    #[test]
    fn the_drawing_says_what_it_shows() {
        let text = svg(&usual());
        assert!(text.starts_with("<?xml"));
        for words in [
            "From above",
            "Through the lens",
            "3.00 m",
            "1.50 m from the face",
            "1 m<",
        ] {
            assert!(text.contains(words), "{words} is missing");
        }
        assert!(!text.contains("NaN") && !text.contains("inf"));
    }

    #[test]
    fn the_frame_has_the_sensor_s_shape() {
        let mut setup = usual();
        setup.camera.lens.sensor = setup.camera.lens.sensor.turned();
        let frame = Frame::of(&setup);
        assert!((frame.height / frame.width - 1.5).abs() < 1e-9);
    }
}
