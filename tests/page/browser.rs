//! A headless Chromium, driven through its own debugging pipe: no driver program, no network.
//!
//! `--remote-debugging-pipe` makes it read commands from file descriptor 3 and write answers to 4, JSON
//! texts that end with a zero byte (Chrome `DevTools` Protocol 1.3).

use std::collections::VecDeque;
use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use tempfile::TempDir;

/// Longest wait for an answer.
const PATIENCE: Duration = Duration::from_secs(60);

const PROGRAMS: [&str; 3] = [
    "/usr/bin/chromium",
    "/usr/bin/chromium-browser",
    "/usr/bin/google-chrome",
];

/// The browser, where there is one.
pub(crate) fn program() -> Option<PathBuf> {
    let named = std::env::var_os("CHROMIUM").map(PathBuf::from);
    let known = PROGRAMS.iter().map(PathBuf::from);
    named.into_iter().chain(known).find(|path| path.exists())
}

/// What the window stands on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Desk,
    Phone,
}

pub(crate) struct Browser {
    child: Child,
    to: File,
    from: Receiver<Value>,
    session: Option<String>,
    last: u64,
    pub(crate) events: VecDeque<Value>,
    folder: TempDir,
}

impl Browser {
    pub(crate) fn start(program: &Path) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let pipes = ["to", "from"].map(|name| folder.path().join(name));
        for pipe in &pipes {
            assert!(Command::new("mkfifo").arg(pipe).status().unwrap().success());
        }
        // The shell puts the pipes where Chromium looks for them, and becomes it.
        let child = Command::new("sh")
            .arg("-c")
            .arg("exec \"$0\" \"$@\" 3<\"$PIPE_TO\" 4>\"$PIPE_FROM\"")
            .arg(program)
            .args([
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
                "--disable-dev-shm-usage",
                "--hide-scrollbars",
                "--force-color-profile=srgb",
                "--remote-debugging-pipe",
            ])
            .arg(format!(
                "--user-data-dir={}",
                folder.path().join("profile").display()
            ))
            .arg("about:blank")
            .env("PIPE_TO", &pipes[0])
            .env("PIPE_FROM", &pipes[1])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let to = File::options().write(true).open(&pipes[0]).unwrap();
        let answers = BufReader::new(File::open(&pipes[1]).unwrap());
        let (sender, from) = channel();
        std::thread::spawn(move || {
            for text in answers.split(0).map_while(Result::ok) {
                let value = serde_json::from_slice(&text).unwrap();
                if sender.send(value).is_err() {
                    break;
                }
            }
        });
        let mut browser = Self {
            child,
            to,
            from,
            session: None,
            last: 0,
            events: VecDeque::new(),
            folder,
        };
        let target = browser.call("Target.createTarget", &json!({"url": "about:blank"}));
        let attached = browser.call(
            "Target.attachToTarget",
            &json!({"targetId": target["targetId"], "flatten": true}),
        );
        browser.session = Some(attached["sessionId"].as_str().unwrap().to_owned());
        for domain in ["Page", "Runtime", "Log", "Network", "DOM", "Accessibility"] {
            browser.call(&format!("{domain}.enable"), &json!({}));
        }
        browser
    }

    /// Sends a command and waits for its answer; events in between are kept.
    pub(crate) fn call(&mut self, method: &str, parameters: &Value) -> Value {
        self.last += 1;
        let mut message = json!({"id": self.last, "method": method, "params": parameters});
        if let Some(session) = &self.session {
            message["sessionId"] = json!(session);
        }
        let mut text = message.to_string().into_bytes();
        text.push(0);
        self.to.write_all(&text).unwrap();
        loop {
            let answer = self
                .from
                .recv_timeout(PATIENCE)
                .unwrap_or_else(|e| panic!("no answer to {method}: {e}"));
            if answer["id"] == self.last {
                assert!(
                    answer.get("error").is_none(),
                    "{method}: {}",
                    answer["error"]
                );
                return answer["result"].clone();
            }
            self.events.push_back(answer);
        }
    }

    pub(crate) fn open(&mut self, page: &Path) {
        let url = format!("file://{}", page.display());
        let answer = self.call("Page.navigate", &json!({"url": url}));
        assert!(answer.get("errorText").is_none(), "{answer}");
        self.until("document.readyState === 'complete' && document.documentElement.classList.contains('scripted')");
    }

    /// What a script of the test finds in the page. `script` is an expression.
    pub(crate) fn find(&mut self, script: &str) -> Value {
        let answer = self.call(
            "Runtime.evaluate",
            &json!({"expression": script, "returnByValue": true, "awaitPromise": true}),
        );
        assert!(
            answer.get("exceptionDetails").is_none(),
            "{script}: {answer}"
        );
        answer["result"]["value"].clone()
    }

    /// Waits until an expression holds.
    pub(crate) fn until(&mut self, script: &str) {
        let start = Instant::now();
        while self.find(script) != json!(true) {
            assert!(start.elapsed() < PATIENCE, "never: {script}");
            std::thread::sleep(Duration::from_millis(30));
        }
    }

    /// Middle of an element in the window, scrolled to where a click would meet it.
    pub(crate) fn middle(&mut self, selector: &str) -> [f64; 2] {
        let found = self.find(&format!(
            "(() => {{ const e = document.querySelector({selector:?}); e.scrollIntoView({{block: 'center'}});
              const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; }})()"
        ));
        [0, 1].map(|i| found[i].as_f64().unwrap())
    }

    pub(crate) fn mouse(&mut self, kind: &str, [x, y]: [f64; 2]) {
        let down = u8::from(kind != "mouseMoved");
        self.call(
            "Input.dispatchMouseEvent",
            &json!({"type": kind, "x": x, "y": y, "button": "left", "buttons": down, "clickCount": down}),
        );
    }

    pub(crate) fn drag(&mut self, from: [f64; 2], to: [f64; 2]) {
        self.mouse("mouseMoved", from);
        self.mouse("mousePressed", from);
        for step in 1..=5 {
            let t = f64::from(step) / 5.0;
            let at = [0, 1].map(|i| from[i] + t * (to[i] - from[i]));
            self.call(
                "Input.dispatchMouseEvent",
                &json!({"type": "mouseMoved", "x": at[0], "y": at[1], "button": "left", "buttons": 1}),
            );
        }
        self.mouse("mouseReleased", to);
    }

    pub(crate) fn click_at(&mut self, at: [f64; 2]) {
        self.mouse("mouseMoved", at);
        self.mouse("mousePressed", at);
        self.mouse("mouseReleased", at);
    }

    /// Clicks once the place is where it stays: pictures that load above it move it away from under
    /// the pointer.
    pub(crate) fn click(&mut self, selector: &str) {
        let mut at = self.middle(selector);
        for _ in 0..40 {
            std::thread::sleep(std::time::Duration::from_millis(50));
            let before = std::mem::replace(&mut at, self.middle(selector));
            if before.iter().zip(&at).all(|(b, a)| (b - a).abs() < 0.5) {
                break;
            }
        }
        self.click_at(at);
    }

    pub(crate) fn touch_drag(&mut self, from: [f64; 2], to: [f64; 2]) {
        let mut touch = |kind: &str, points: &Value| {
            self.call(
                "Input.dispatchTouchEvent",
                &json!({"type": kind, "touchPoints": points}),
            );
        };
        touch("touchStart", &json!([{"x": from[0], "y": from[1]}]));
        for step in 1..=5 {
            let t = f64::from(step) / 5.0;
            let at = [0, 1].map(|i| from[i] + t * (to[i] - from[i]));
            touch("touchMove", &json!([{"x": at[0], "y": at[1]}]));
        }
        touch("touchEnd", &json!([]));
    }

    pub(crate) fn key(&mut self, key: &str) {
        let (code, text) = match key {
            "ArrowLeft" => (37, ""),
            "ArrowRight" => (39, ""),
            "Home" => (36, ""),
            "End" => (35, ""),
            "Tab" => (9, ""),
            "Escape" => (27, ""),
            "Enter" => (13, "\r"),
            " " => (32, " "),
            other => panic!("no code for {other}"),
        };
        let press = json!({"type": if text.is_empty() { "rawKeyDown" } else { "keyDown" }, "key": key,
            "code": if key == " " { "Space" } else { key }, "text": text, "windowsVirtualKeyCode": code});
        self.call("Input.dispatchKeyEvent", &press);
        self.call(
            "Input.dispatchKeyEvent",
            &json!({"type": "keyUp", "key": key, "windowsVirtualKeyCode": code}),
        );
    }

    /// A window of CSS pixels.
    pub(crate) fn window(&mut self, width: u32, height: u32, kind: Kind) {
        let (scale, mobile, touch) = match kind {
            Kind::Desk => (1, false, json!({"enabled": false})),
            Kind::Phone => (2, true, json!({"enabled": true, "maxTouchPoints": 1})),
        };
        self.call(
            "Emulation.setDeviceMetricsOverride",
            &json!({"width": width, "height": height, "deviceScaleFactor": scale, "mobile": mobile}),
        );
        self.call("Emulation.setTouchEmulationEnabled", &touch);
    }

    pub(crate) fn theme(&mut self, scheme: &str) {
        self.call(
            "Emulation.setEmulatedMedia",
            &json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]}),
        );
    }

    /// What the window shows, as a PNG.
    pub(crate) fn picture(&mut self) -> Vec<u8> {
        let shot = self.call("Page.captureScreenshot", &json!({"format": "png"}));
        STANDARD.decode(shot["data"].as_str().unwrap()).unwrap()
    }

    pub(crate) fn picture_of(&mut self, selector: &str) -> Vec<u8> {
        let clip = self.find(&format!(
            "(() => {{ const r = document.querySelector({selector:?}).getBoundingClientRect();
              return {{x: Math.round(r.x + scrollX), y: Math.round(r.y + scrollY), width: Math.floor(r.width),
                height: Math.floor(r.height), scale: 1}}; }})()"
        ));
        let shot = self.call(
            "Page.captureScreenshot",
            &json!({"format": "png", "clip": clip, "captureBeyondViewport": true}),
        );
        STANDARD.decode(shot["data"].as_str().unwrap()).unwrap()
    }

    /// Events of the page that were seen so far, by method.
    pub(crate) fn seen(&mut self, method: &str) -> Vec<Value> {
        let events = self.events.iter().filter(|e| e["method"] == method);
        events.map(|e| e["params"].clone()).collect()
    }

    /// Folder that downloads go to.
    pub(crate) fn downloads(&mut self) -> PathBuf {
        let folder = self.folder.path().join("downloads");
        std::fs::create_dir_all(&folder).unwrap();
        self.call(
            "Browser.setDownloadBehavior",
            &json!({"behavior": "allow", "downloadPath": folder, "eventsEnabled": false}),
        );
        folder
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
