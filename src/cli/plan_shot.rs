//! `derig plan`: the answer in words, as JSON and as a drawing.

use std::fmt::Write as _;
use std::io::Write as _;

use serde::Serialize;

use super::exit_status::ExitStatus;
use super::messages::Failure;
use super::plan_shot_args::PlanArgs;
use super::text_files::never_over_a_picture;
use crate::photo::{self, Existing};
use crate::planning::{
    Advice, Choice, Closer, Cost, Degrees, Lens, Metres, Move, Nonsense, Rigging, Setup, View, Way,
    Ways, drawing, percent, weigh,
};

/// Version of the JSON answer's layout.
const PLAN_VERSION: u32 = 1;
/// From this height on a stand is out of arm's reach, metres (common practice, no source).
const HIGH: f64 = 2.5;

#[derive(Serialize)]
struct Answer {
    plan_version: u32,
    lens: LensFacts,
    view: View,
    ways: Ways,
    cautions: Vec<String>,
}

#[derive(Serialize)]
struct LensFacts {
    horizontal: Degrees,
    vertical: Degrees,
    diagonal: Degrees,
    crop_factor: f64,
    field_at_person: [Metres; 2],
}

impl LensFacts {
    fn of(lens: Lens, distance: Metres) -> Self {
        Self {
            horizontal: lens.horizontal(),
            vertical: lens.vertical(),
            diagonal: lens.diagonal(),
            crop_factor: lens.sensor.crop_factor(),
            field_at_person: lens.field_at(distance),
        }
    }
}

/// Answers on standard output; draws where asked.
///
/// # Errors
/// [`Failure`] for a set-up that cannot be and for a drawing that cannot be written.
pub(super) fn run(typed: &PlanArgs) -> Result<ExitStatus, Failure> {
    let setup = typed.setup().checked().map_err(nonsense)?;
    if let Some(path) = &typed.drawing {
        never_over_a_picture(path)?;
    }
    let answer = Answer {
        plan_version: PLAN_VERSION,
        lens: LensFacts::of(setup.camera.lens, setup.camera.distance),
        view: setup.view(),
        ways: weigh(&setup, typed.exposure()),
        cautions: cautions(&setup),
    };
    if let Some(path) = &typed.drawing {
        let existing = if typed.overwrite {
            Existing::Replace
        } else {
            Existing::Keep
        };
        photo::store(path, drawing::svg(&setup).as_bytes(), existing).map_err(|error| Failure {
            hint: Some(
                error
                    .hint()
                    .unwrap_or("name another file with `--drawing`")
                    .to_owned(),
            ),
            error: Box::new(error),
            status: ExitStatus::WrongUsage,
        })?;
    }
    let text = if typed.json {
        let json = serde_json::to_string_pretty(&answer);
        json.expect("an answer has string keys only") + "\n"
    } else {
        words(&setup, &answer)
    };
    // A closed pipe is the reader's choice, not a failure.
    let _ = std::io::stdout().lock().write_all(text.as_bytes());
    Ok(ExitStatus::AllDone)
}

fn nonsense(error: Nonsense) -> Failure {
    let hint = match &error {
        Nonsense::OutOfRange { .. } => "lengths are in metres unless they say cm, ft or in",
        Nonsense::TooWide(_) => "check the sensor's sides and the focal length, as engraved",
        Nonsense::OutOfReach { .. } => "measure from the face to the middle of the modifier",
        Nonsense::InTheGround { .. } => "raise the light with `--light-height`",
        Nonsense::OnTheCamera => "move the light with `--light-angle` or `--light-height`",
    };
    Failure {
        error: Box::new(error),
        hint: Some(hint.to_owned()),
        status: ExitStatus::WrongUsage,
    }
}

fn words(setup: &Setup, answer: &Answer) -> String {
    let mut text = String::new();
    // Writing into a `String` cannot fail.
    let _ = writeln!(text, "{}", seen(setup, &answer.view));
    let lens = &answer.lens;
    let _ = writeln!(
        text,
        "\nThe lens sees {:.1} x {:.1} degrees, at the person {:.2} x {:.2} m.",
        lens.horizontal.0, lens.vertical.0, lens.field_at_person[0].0, lens.field_at_person[1].0
    );
    let now = &answer.ways.now;
    let _ = writeln!(
        text,
        "From the face the modifier is {:.0} degrees wide: the wider, the softer.{}",
        now.softness.0,
        power(now)
    );
    let _ = write!(text, "\n{}", ways(&answer.ways));
    let _ = writeln!(text, "\nAdvice: {}", advice(&answer.ways.advice));
    let _ = writeln!(text, "\nCautions:");
    for caution in &answer.cautions {
        let _ = writeln!(text, "  - {caution}");
    }
    text
}

fn seen(setup: &Setup, view: &View) -> String {
    let support = match setup.light.rigging {
        Rigging::Stand => "stand",
        Rigging::Boom(_) => "stand or boom",
    };
    let mut text = if view.modifier_shows() {
        let sides: Vec<_> = view.enters.iter().map(|s| s.name()).collect();
        let enters = if sides.is_empty() {
            "wholly within the borders".to_owned()
        } else {
            format!("coming in from the {}", sides.join(" and the "))
        };
        format!(
            "The modifier is in the picture: {} of it, {enters}; it covers {} of the picture.",
            percent(view.modifier_share),
            percent(view.covered)
        )
    } else {
        "The modifier is not in the picture.".to_owned()
    };
    if let Some([upper_left, lower_right]) = view.covers {
        let share = |v: f64| 100.0 * v.clamp(0.0, 1.0);
        let _ = write!(
            text,
            " It lies {:.0} to {:.0} % from the left and {:.0} to {:.0} % from the top.",
            share(upper_left.x),
            share(lower_right.x),
            share(upper_left.y),
            share(lower_right.y)
        );
    }
    if view.support_shows {
        let _ = write!(text, " Its {support} is in the picture.");
    } else {
        let _ = write!(text, " Its {support} is not.");
    }
    if view.hides_person > 0.0 {
        let _ = write!(
            text,
            " It stands before the person and hides {} of them.",
            percent(view.hides_person)
        );
    }
    if view.hidden_by_person > 0.0 {
        let _ = write!(
            text,
            " The person hides {} of it.",
            percent(view.hidden_by_person)
        );
    }
    match view.person_shows {
        None => text.push_str(" The person is not in the picture: check distance and turn."),
        Some([low, high]) if low > 0.01 || high < setup.person.height.0 - 0.01 => {
            let _ = write!(
                text,
                " The person shows from {low:.2} to {high:.2} m above the ground."
            );
        }
        Some(_) => {}
    }
    text
}

fn power(cost: &Cost) -> String {
    match cost.power_to_spare {
        Some(stops) if stops.0 < 0.0 => {
            format!(" The flash is {:.1} stops too weak there.", -stops.0)
        }
        Some(stops) => format!(" The flash has {:.1} stops to spare there.", stops.0),
        None => String::new(),
    }
}

fn cost(cost: &Cost) -> String {
    let change = match 100.0 * cost.harder_by {
        p if p >= 0.5 => format!("{p:.0} % harder"),
        p if p <= -0.5 => format!("{:.0} % softer", -p),
        _ => "as soft".to_owned(),
    };
    format!(
        "{:+.1} stops ({:+.1} for a modifier of this size), {:.0} degrees wide: {change}.{}",
        cost.stops.0,
        cost.stops_of_this_size.0,
        cost.softness.0,
        power(cost)
    )
}

fn moved(found: &Move) -> String {
    let way = match found.way {
        Way::Left => "to the left",
        Way::Right => "to the right",
        Way::Up => "up",
        Way::Back => "back from the person",
    };
    format!(
        "{:.2} m {way}, to {:.2} m from the face",
        found.by.0, found.cost.light_distance.0
    )
}

fn closer(found: &Closer, what: &str) -> String {
    let person = match found.person_shows {
        Some([low, high]) => format!("the person from {low:.2} to {high:.2} m"),
        None => "not the person".to_owned(),
    };
    format!(
        "{what}: no light lost, but the picture shows {:.2} x {:.2} m and {person}",
        found.field[0].0, found.field[1].0
    )
}

fn ways(ways: &Ways) -> String {
    let mut text = String::from("Move the light:\n");
    for found in &ways.moves {
        let _ = writeln!(text, "  {}: {}", moved(found), cost(&found.cost));
        if let (Way::Up, Some(boom)) = (found.way, found.boom) {
            let _ = writeln!(
                text,
                "      its stand must stay out too: that takes a boom of {:.2} m",
                boom.0
            );
        }
    }
    if ways.moves.is_empty() {
        let how = match ways.advice.choice {
            Choice::AlreadyOut => "  need not be\n",
            _ => "  no move within 20 m takes it out of the picture\n",
        };
        text.push_str(how);
    }
    text.push_str("Step closer:\n");
    if let Some(found) = &ways.step_closer {
        let what = format!("camera {:.2} m from the person", found.camera_distance.0);
        let _ = writeln!(text, "  {}", closer(found, &what));
    }
    if let Some(found) = &ways.longer_lens {
        let what = format!("or {:.0} mm from where the camera stands", found.focal.0);
        let _ = writeln!(text, "  {}", closer(found, &what));
    }
    if ways.step_closer.is_none() && ways.longer_lens.is_none() {
        let how = match ways.advice.choice {
            Choice::AlreadyOut => "  need not be\n",
            _ => "  does not take it out of the picture\n",
        };
        text.push_str(how);
    }
    text.push_str("Hide the light:\n");
    if let (Some(scale), Some(softness)) = (ways.hiding.smaller, ways.hiding.smaller_softness) {
        let _ = writeln!(
            text,
            "  a modifier of {:.0} % of this one's sides, where it stands: {:.0} degrees wide",
            100.0 * scale,
            softness.0
        );
    }
    if ways.hiding.smaller.is_none() && ways.plate.covered > 0.0 {
        text.push_str("  even a small modifier would show where it stands\n");
    }
    let _ = writeln!(
        text,
        "  straight behind the person up to {:.2} m wide is covered, but that is a rim light",
        ways.hiding.behind_person.0
    );
    text.push_str("Shoot a plate:\n");
    let plate = &ways.plate;
    if plate.hides_person > 0.0 {
        let _ = write!(
            text,
            "  no plate shows the {} of the person that it hides",
            percent(plate.hides_person)
        );
        match &plate.clears_person {
            Some(found) => {
                let _ = writeln!(text, ": first {}", moved(found));
            }
            None => text.push('\n'),
        }
    } else {
        let _ = writeln!(
            text,
            "  no light lost, as soft, one more frame from the same tripod; {} of the picture \
             comes from it",
            percent(plate.covered)
        );
    }
    if ways.now.light_distance < ways.small_source_from {
        let _ = writeln!(
            text,
            "\nThe inverse square holds for a small source, here from {:.1} m on; nearer, the \
             figure in brackets is closer to the truth.",
            ways.small_source_from.0
        );
    }
    text
}

fn advice(advice: &Advice) -> String {
    match (advice.choice, &advice.by) {
        (Choice::AlreadyOut, _) => "leave it: nothing of it is in the picture".to_owned(),
        (Choice::MoveTheLight, Some(by)) => {
            format!("move the light {}: that costs next to nothing", moved(by))
        }
        (Choice::ClearThePersonThenPlate, Some(by)) => {
            format!(
                "move the light {} so that it clears the person, and shoot a plate",
                moved(by)
            )
        }
        (Choice::ClearThePersonThenPlate, None) => {
            "put the light elsewhere: it hides the person".to_owned()
        }
        (Choice::ShootAPlate | Choice::MoveTheLight, _) => {
            "leave the light where it is good and shoot a plate".to_owned()
        }
    }
}

/// The trade's usual cautions (common practice, no source).
fn cautions(setup: &Setup) -> Vec<String> {
    let light = &setup.light;
    let mut all = Vec::new();
    match light.rigging {
        Rigging::Stand => all.push("sandbag on the stand, its weight off the ground".to_owned()),
        Rigging::Boom(_) => all.push(
            "boom: counterweight, sandbag on the stand, safety cable on head and modifier; nobody \
             stands or walks under it, the person comes in last and leaves first"
                .to_owned(),
        ),
    }
    all.push(format!(
        "wind: {:.1} square metres are a sail; more sandbags, a hand on the stand, and down with \
         it in gusts",
        light.shape.area()
    ));
    if light.height.0 + light.shape.longest().0 / 2.0 > HIGH {
        all.push(
            "high up: no standing on chairs, keep well away from overhead power lines".to_owned(),
        );
    }
    all.push(
        "water or wet ground: battery flash, or mains through a residual-current device, plugs \
         and packs off the ground and dry"
            .to_owned(),
    );
    all.push(
        "local codes and the venue's rules come first; where they ask for a licensed electrician \
         or rigger, ask one"
            .to_owned(),
    );
    all
}
