//! What is said on the page comes back through `derig redo`.

use super::*;

/// Follows the corrections of a page: the lit frame is back at `point`, and the rest stays.
fn redone_as_said(shoot: &Shoot, lit: &str, corrections: &str, point: &[usize]) {
    let merged = lit.replace(".jpg", ".png");
    let before = read(&shoot.path(&format!("out/{merged}")));
    let redo = [
        "redo",
        "out/report.json",
        "--corrections",
        corrections,
        "--frame",
        lit,
        "--overwrite",
        "--page",
    ];
    let output = shoot.derig(&redo);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let (after, original) = (
        read(&shoot.path(&format!("out/{merged}"))),
        read(&shoot.path(lit)),
    );
    let mask = read(&shoot.path(&format!("out/{}", lit.replace(".jpg", "-mask.png"))));
    assert_eq!(mask.code(point[0], point[1], 0), 0, "the piece is kept");
    for y in point[1] - 2..=point[1] + 2 {
        for x in point[0] - 2..=point[0] + 2 {
            for c in 0..3 {
                assert_eq!(
                    after.code(x, y, c),
                    original.code(x, y, c),
                    "the lit frame is back"
                );
            }
        }
    }
    assert!(difference(&before, &after) > 0.001);
    // What it was not said of stays.
    let elsewhere = (0..before.size.columns)
        .all(|x| before.code(x, 5, 0) == after.code(x, 5, 0) || x > before.size.columns / 2);
    assert!(elsewhere);
}

#[test]
fn a_piece_that_is_clicked_comes_back_through_redo() {
    let mut browser = browser_or_skip!();
    let shoot = Shoot::new();
    shoot.cleaned(&["--page", "--format", "png"]);
    browser.window(1280, 1000, Kind::Desk);
    let downloads = browser.downloads();
    browser.open(&shoot.path("out/page.html"));
    let gear = browser.find(GEAR);
    let point: Vec<usize> = gear[1]
        .as_str()
        .unwrap()
        .split(", ")
        .map(|n| n.parse().unwrap())
        .collect();
    let lit = gear[2].as_str().unwrap().to_owned();

    // The point on the picture itself, where a hand would click it.
    let at = browser.find(&format!(
        "(() => {{ const view = document.querySelector('article .view'); view.scrollIntoView({{block: 'center'}});
          const r = view.getBoundingClientRect();
          const [columns, rows] = document.querySelector('article .stage').dataset.full.split(' ').map(Number);
          return [r.x + r.width * ({} + 0.5) / columns, r.y + r.height * ({} + 0.5) / rows]; }})()",
        point[0], point[1]
    ));
    let at = [0, 1].map(|i| at[i].as_f64().unwrap());
    browser.click_at(at);
    browser.until("!document.querySelector('.ask').hidden");
    keep_picture("asked", &browser.picture());
    assert!(browser.find("document.activeElement.classList.contains('keep')") == json!(true));
    browser.key("Escape");
    browser.until("document.querySelector('.ask').hidden");
    browser.click_at(at);
    browser.key("Enter");
    browser.until("document.querySelector('.tally').textContent.startsWith('1 correction')");
    keep_picture("said", &browser.picture());
    browser.click("input[name=outcome][value=corrected]");
    assert_eq!(
        browser.find("[...document.querySelectorAll('article')].filter((a) => !a.hidden).length"),
        json!(1)
    );

    let text = browser.find("document.querySelector('#text').value");
    let expected = format!(
        "[[correction]]\ndo = \"keep\"\npoint = [{}, {}]\nframes = [\"{lit}\"]\n",
        point[0], point[1]
    );
    assert_eq!(text, json!(expected));
    keep_picture("handed-back", &browser.picture_of("#corrections"));
    browser.click(".save");
    let saved = downloads.join("corrections.toml");
    let start = std::time::Instant::now();
    while !saved.exists() {
        assert!(start.elapsed().as_secs() < 30, "nothing was saved");
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    assert_eq!(std::fs::read_to_string(&saved).unwrap(), expected);

    // The command as it is shown, from the page's folder.
    let command = browser.find("document.querySelector('.command').textContent");
    assert_eq!(
        command,
        json!(format!(
            "derig redo report.json --corrections corrections.toml --frame {lit} --overwrite --page"
        ))
    );
    redone_as_said(&shoot, &lit, saved.to_str().unwrap(), &point);

    // The new page tells of it.
    browser.open(&shoot.path("out/page.html"));
    let told = browser.find("document.body.textContent.includes('taken back')");
    assert_eq!(told, json!(true));
    assert_eq!(
        browser.find("document.querySelectorAll('article .stage').length"),
        json!(2)
    );
    was_quiet(&mut browser);
}

#[test]
fn a_box_can_be_drawn_or_typed_and_comes_back_through_redo() {
    let mut browser = browser_or_skip!();
    let shoot = Shoot::new();
    shoot.cleaned(&["--page", "--format", "png"]);
    browser.window(1280, 1000, Kind::Desk);
    browser.open(&shoot.path("out/page.html"));
    let lit = browser.find("document.querySelector('article').dataset.lit");
    let lit = lit.as_str().unwrap().to_owned();
    browser.find("document.querySelector('article .list').open = true");
    browser.click("article .draw");
    let view = browser.find(
        "(() => { document.querySelector('article .view').scrollIntoView({block: 'center'});
          const r = document.querySelector('article .view').getBoundingClientRect();
          return [r.x, r.y, r.width, r.height]; })()",
    );
    let [x, y, width, height] = [0, 1, 2, 3].map(|i| view[i].as_f64().unwrap());
    browser.drag(
        [x + 0.1 * width, y + 0.7 * height],
        [x + 0.2 * width, y + 0.8 * height],
    );
    let value = |name: &str| {
        format!("Number(document.querySelector('article .boxes [name={name}]').value)")
    };
    let drawn: Vec<f64> = ["x", "y", "width", "height"]
        .iter()
        .map(|name| browser.find(&value(name)).as_f64().unwrap())
        .collect();
    for (got, wanted) in drawn.iter().zip([90.0, 420.0, 90.0, 60.0]) {
        assert!((got - wanted).abs() <= 2.0, "{drawn:?}");
    }
    browser.click("article .boxes .take");
    browser.until("document.querySelector('.tally').textContent.startsWith('1 correction')");

    // Typed, and refused while it does not fit.
    browser.find(
        "(() => { const [x, y, w, h] = ['x', 'y', 'width', 'height'].map((n) => document.querySelector(`article .boxes [name=${n}]`));
          x.value = 880; y.value = 10; w.value = 50; h.value = 20; })()",
    );
    browser.click("article .boxes .keep");
    assert_eq!(
        browser.find("document.querySelector('article .boxes [name=width]').validity.customError"),
        json!(true)
    );
    browser.find("document.querySelector('article .boxes [name=width]').value = 20");
    browser.click("article .boxes .keep");
    browser.until("document.querySelector('.tally').textContent.startsWith('2 corrections')");
    browser.click("article .drawn li:last-child button");
    browser.until("document.querySelector('.tally').textContent.startsWith('1 correction,')");

    let text = browser.find("document.querySelector('#text').value");
    std::fs::write(shoot.path("said.toml"), text.as_str().unwrap()).unwrap();
    let output = shoot.derig(&[
        "redo",
        "out/report.json",
        "--corrections",
        "said.toml",
        "--frame",
        &lit,
        "-o",
        "again",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let mask = read(&shoot.path(&format!("again/{}", lit.replace(".jpg", "-mask.png"))));
    assert_eq!(mask.code(135, 450, 0), 255, "all of the box is meant");
    assert_eq!(
        mask.code(135, 590, 0),
        read(&shoot.path(&format!("out/{}", lit.replace(".jpg", "-mask.png")))).code(135, 590, 0)
    );
    was_quiet(&mut browser);
}
