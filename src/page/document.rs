//! The page around the frames: head, switches, corrections.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

use super::frame::{self, swatch};
use super::regions::{class_words, legend};
use super::{Outcome, Page, Purpose, told};
use crate::check::Answer;
use crate::report::{Hatching, class_style};
use crate::scene::Label;

const STYLE: &str = include_str!("page.css");
/// Looking: switches and wipe.
const SCRIPT: &str = include_str!("page.js");
/// Handing back: corrections.
const CORRECTIONS: &str = include_str!("corrections.js");
const OUTCOMES: [Outcome; 8] = [
    Outcome::LookHere,
    Outcome::Failed,
    Outcome::Finished,
    Outcome::NothingToRemove,
    Outcome::Unreadable,
    Outcome::Checked(Answer::ShootAgain),
    Outcome::Checked(Answer::CannotTell),
    Outcome::Checked(Answer::Go),
];

/// The page as the text of an HTML file.
///
/// Frames that ask to be looked at come first, the surest first; the rest as they were shot.
pub fn document(page: &Page) -> String {
    let style = format!("{STYLE}{}{}", class_rules(), frame::rules(page));
    let (script, report) = match &page.purpose {
        Purpose::HandBack { report } => (format!("{SCRIPT}{CORRECTIONS}"), Some(report)),
        Purpose::Check => (SCRIPT.to_owned(), None),
    };
    let policy = policy(&style, &script);
    let sides = page.purpose.sides();
    let text = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                meta name="color-scheme" content="light dark";
                title { (page.title) }
                style { (PreEscaped(&style)) }
            }
            body.check[report.is_none()] data-report=[report] data-sides=(sides.join("|")) {
                a.skip href="#frames" { "Skip to the frames" }
                @if report.is_some() { (patterns()) }
                (head(page))
                main id="frames" aria-label="Frames" {
                    @for index in order(page) {
                        (frame::article(page, index))
                    }
                }
                @if report.is_some() { (corrections()) }
                script { (PreEscaped(&script)) }
            }
        }
    };
    text.into_string()
}

fn policy(style: &str, script: &str) -> String {
    let hash = |text: &str| STANDARD.encode(Sha256::digest(text.as_bytes()));
    format!(
        "default-src 'none'; img-src data: file: 'self'; style-src 'sha256-{}'; \
         script-src 'sha256-{}'; base-uri 'none'; form-action 'none'",
        hash(style),
        hash(script)
    )
}

/// Frames by what asks most for a look.
fn order(page: &Page) -> Vec<usize> {
    let mut order: Vec<usize> = (0..page.frames.len()).collect();
    let surest = |index: usize| {
        let frame = &page.frames[index];
        let work = frame.hand_work.iter().map(|w| w.confidence);
        let told = frame.told.iter().map(|r| r.weight as f32);
        work.chain(told).fold(0.0, f32::max)
    };
    order.sort_by(|&a, &b| {
        let (one, other) = (page.frames[a].outcome, page.frames[b].outcome);
        asks(one)
            .cmp(&asks(other))
            .then(surest(b).total_cmp(&surest(a)))
            .then(a.cmp(&b))
    });
    order
}

/// The less, the more it asks for a look.
fn asks(outcome: Outcome) -> u8 {
    match outcome {
        Outcome::Failed | Outcome::Unreadable => 0,
        Outcome::LookHere | Outcome::Checked(Answer::ShootAgain) => 1,
        Outcome::Finished | Outcome::Checked(Answer::CannotTell) => 2,
        Outcome::NothingToRemove | Outcome::Checked(Answer::Go) => 3,
    }
}

fn head(page: &Page) -> Markup {
    let hands_back = page.purpose != Purpose::Check;
    html! {
        header {
            h1 { (page.title) }
            noscript {
                p { "Scripts are off: pictures and words are all here, wipe and switches are not." }
            }
            (told::reasons(&page.told, |_| None))
            (switches(page))
            p.count role="status" {}
            @if hands_back { (what_marks_mean()) }
        }
    }
}

/// Which frames, in what order, with what over them, on what paper.
fn switches(page: &Page) -> Markup {
    let count = |outcome| page.frames.iter().filter(|f| f.outcome == outcome).count();
    let hands_back = page.purpose != Purpose::Check;
    html! {
        details.all open {
            summary { "Switches" }
            div.switches role="group" aria-label="What is shown" {
                fieldset {
                    legend { "Frames" }
                    label { input type="radio" name="outcome" value="all" checked; " all " (page.frames.len()) }
                    @for outcome in OUTCOMES {
                        @if count(outcome) > 0 {
                            label {
                                input type="radio" name="outcome" value=(outcome.key());
                                " " (outcome.words()) " " (count(outcome))
                            }
                        }
                    }
                    @if hands_back {
                        label { input type="radio" name="outcome" value="corrected"; " corrected" }
                    }
                }
                fieldset {
                    legend { "Order" }
                    label { input type="radio" name="order" value="asking" checked; " what asks first" }
                    label { input type="radio" name="order" value="shot"; " as shot" }
                }
                fieldset {
                    legend { "Over the pictures" }
                    label { input type="checkbox" name="places" checked; " places to look at" }
                    @if hands_back {
                        label { input type="checkbox" name="mask"; " edge of the mask" }
                        label { input type="checkbox" name="pieces"; " pieces by class" }
                    }
                }
                fieldset {
                    legend { "Light" }
                    label { input type="radio" name="theme" value="" checked; " as the system" }
                    label { input type="radio" name="theme" value="light"; " light" }
                    label { input type="radio" name="theme" value="dark"; " dark" }
                }
            }
        }
    }
}

fn what_marks_mean() -> Markup {
    html! {
        details.legend {
            summary { "What colours and hatching mean" }
            ul {
                @for class in legend() {
                    li { (swatch(class)) " " (class_words(class)) }
                }
                li {
                    svg.swatch viewBox="0 0 32 20" aria-hidden="true" {
                        path.edge-dark d="M0 10h32" {}
                        path.edge d="M0 10h32" {}
                    }
                    " edge of what shows the plate"
                }
            }
            p {
                "Click a piece, or open \u{201c}Pieces\u{201d} below a picture, to keep it in the picture or to \
                 take it out."
            }
        }
    }
}

fn corrections() -> Markup {
    html! {
        section id="corrections" aria-labelledby="corrections-title" {
            h2 id="corrections-title" { "Corrections" }
            p.tally role="status" { "None yet." }
            div.said hidden {
                p {
                    "Save the file, then run this in the folder of this page (with the path to where the file was \
                     saved):"
                }
                pre.command tabindex="0" aria-label="Command" {}
                p.row {
                    button.save type="button" { "Save corrections.toml" }
                    button.copy type="button" { "Copy the text" }
                    button.drop type="button" { "Withdraw all" }
                    span.copied role="status" {}
                }
                label for="text" { "The same as text" }
                textarea id="text" readonly rows="10" spellcheck="false" {}
            }
        }
        div.ask role="dialog" aria-modal="false" aria-labelledby="ask-title" hidden {
            p id="ask-title" {}
            p.row {
                button.keep type="button" { "Keep" }
                button.take type="button" { "Take out" }
                button.leave type="button" { "Leave as it is" }
            }
        }
    }
}

/// Colours of the classes as CSS, from the same table as the labelled overlay.
fn class_rules() -> String {
    legend()
        .map(|class| {
            let name = class.name();
            match class_style(class) {
                Some(([r, g, b], _)) => format!(
                    ".c-{name}{{stroke:rgb({r},{g},{b})}}.show-pieces .c-{name},.swatch .c-{name}{{fill:url(#h-{name})}}"
                ),
                None => String::new(),
            }
        })
        .collect()
}

/// Hatchings of the classes, at the distances of the labelled overlay.
fn patterns() -> Markup {
    const PERIOD: u32 = 9;
    html! {
        svg.patterns width="0" height="0" aria-hidden="true" focusable="false" {
            defs {
                @for class in legend() {
                    @if let Some((rgb, hatching)) = class_style(class) {
                        (pattern(class, rgb, hatching, PERIOD))
                    }
                }
            }
        }
    }
}

fn pattern(class: Label, [r, g, b]: [u8; 3], hatching: Hatching, period: u32) -> Markup {
    let lines = match hatching {
        Hatching::None => "",
        Hatching::Rising => "M-2 2L2-2M0 9L9 0M7 11L11 7",
        Hatching::Falling => "M-2 7L2 11M0 0L9 9M7-2L11 2",
        Hatching::Crossed => "M0 9L9 0M0 0L9 9",
        Hatching::Upright => "M4 0V9",
        Hatching::Level => "M0 4H9",
        Hatching::Dots => "M3.4 4.5H5.6",
    };
    let cap = (hatching == Hatching::Dots).then_some("round");
    html! {
        pattern id={ "h-" (class.name()) } width=(period) height=(period) patternUnits="userSpaceOnUse" {
            rect width=(period) height=(period) fill={ "rgb(" (r) "," (g) "," (b) ")" } fill-opacity="0.28" {}
            path d=(lines) stroke={ "rgb(" (r) "," (g) "," (b) ")" } stroke-width="2" stroke-linecap=[cap] fill="none" {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::Sheet;
    use crate::report::{Box2, HandWork};

    fn sheet(name: &str, outcome: Outcome, confidence: f32) -> Sheet {
        let place = Box2 {
            x: 0,
            y: 0,
            width: 9,
            height: 9,
        };
        Sheet {
            name: name.to_owned(),
            outcome,
            summary: String::new(),
            hand_work: vec![HandWork {
                place,
                reason: "a seam may show".to_owned(),
                confidence,
            }],
            told: Vec::new(),
            notes: Vec::new(),
            facts: Vec::new(),
            pictures: None,
        }
    }

    fn page(frames: Vec<Sheet>) -> Page {
        Page {
            title: "derig".to_owned(),
            purpose: Purpose::HandBack {
                report: "report.json".to_owned(),
            },
            told: Vec::new(),
            frames,
        }
    }

    #[test]
    fn names_from_strangers_stay_names() {
        let name = "\"><script>alert(1)</script><img src=x onerror=alert(1)>&.jpg";
        let mut frame = sheet(name, Outcome::LookHere, 0.5);
        frame.notes = vec![name.to_owned()];
        frame.facts = vec![(name.to_owned(), name.to_owned())];
        frame.hand_work[0].reason = name.to_owned();
        let mut page = page(vec![frame]);
        page.title = name.to_owned();
        page.purpose = Purpose::HandBack {
            report: name.to_owned(),
        };
        let text = document(&page);
        assert_eq!(text.matches("<script>").count(), 1, "our own");
        assert_eq!(text.matches("<img").count(), 0);
        assert!(text.contains("&quot;&gt;&lt;script&gt;"));
    }

    #[test]
    fn nothing_but_the_page_itself_is_allowed() {
        let text = document(&page(vec![sheet("a.jpg", Outcome::Finished, 0.0)]));
        assert!(text.contains("default-src 'none'"));
        for from_elsewhere in ["http:", "https:", "//www", "unsafe", "@import"] {
            assert!(!text.contains(from_elsewhere), "{from_elsewhere}");
        }
        for own in [STYLE, SCRIPT, CORRECTIONS] {
            assert!(!own.contains("</"));
        }
    }

    #[test]
    fn what_asks_most_comes_first() {
        let page = page(vec![
            sheet("a", Outcome::Finished, 0.0),
            sheet("b", Outcome::LookHere, 0.3),
            sheet("c", Outcome::LookHere, 0.9),
            sheet("d", Outcome::Failed, 0.0),
            sheet("e", Outcome::LookHere, 0.3),
        ]);
        assert_eq!(order(&page), [3, 2, 1, 4, 0]);
    }
}
