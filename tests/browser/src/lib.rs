//! A small client of Chromium's DevTools protocol, for the tests of the reports.
//!
//! The browser is spoken to over a pair of pipes (`--remote-debugging-pipe`):
//! JSON messages, each ended by a zero byte.

mod trace;

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tempfile::TempDir;

pub use trace::five_days_at_50_hz;

/// Middle of an element: `[x, y, width]`.
const BOX: &str = "(() => { const e = document.querySelector('SEL'); e.scrollIntoView({block: \
    'center'}); const b = e.getBoundingClientRect(); return [b.x, b.y + b.height / 2, b.width]; })()";

/// Longest wait for anything.
const PATIENCE: Duration = Duration::from_secs(60);

/// A browser with one page.
pub struct Browser {
    child: Child,
    to: ChildStdin,
    from: Receiver<Value>,
    session: Option<String>,
    last_id: u64,
    events: Vec<Value>,
    _profile: TempDir,
}

impl Browser {
    /// Starts the browser named by `CHROMIUM`, or `chromium`.
    ///
    /// # Panics
    /// Where it cannot be started.
    pub fn start() -> Self {
        let profile = tempfile::tempdir().expect("a folder for the profile");
        let chromium = std::env::var("CHROMIUM").unwrap_or_else(|_| "chromium".into());
        let mut child = Command::new("sh")
            .args(["-c", "exec \"$0\" \"$@\" 3<&0 4>&1 </dev/null >/dev/null 2>&1"])
            .arg(chromium)
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe"])
            .args(["--no-first-run", "--disable-background-networking", "--disable-extensions"])
            .args(["--hide-scrollbars", "--force-device-scale-factor=1", "--window-size=1280,900"])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("a shell");
        let to = child.stdin.take().expect("a pipe");
        let mut out = BufReader::new(child.stdout.take().expect("a pipe"));
        let (send, from) = channel();
        std::thread::spawn(move || {
            let mut message = Vec::new();
            while out.read_until(0, &mut message).is_ok_and(|n| n > 0) {
                message.pop();
                if let Ok(value) = serde_json::from_slice(&message)
                    && send.send(value).is_err()
                {
                    return;
                }
                message.clear();
            }
        });
        let mut browser = Browser {
            child,
            to,
            from,
            session: None,
            last_id: 0,
            events: Vec::new(),
            _profile: profile,
        };
        let target = browser.call("Target.createTarget", json!({"url": "about:blank"}));
        let attached = browser.call(
            "Target.attachToTarget",
            json!({"targetId": target["targetId"], "flatten": true}),
        );
        browser.session = attached["sessionId"].as_str().map(str::to_owned);
        for domain in ["Page", "Runtime", "Log", "Network"] {
            browser.call(&format!("{domain}.enable"), json!({}));
        }
        browser
    }

    /// Calls a method of the protocol and waits for its result.
    ///
    /// # Panics
    /// Where the browser refuses, or stays silent.
    pub fn call(&mut self, method: &str, params: Value) -> Value {
        self.last_id += 1;
        let mut message = json!({"id": self.last_id, "method": method, "params": params});
        if let Some(session) = &self.session {
            message["sessionId"] = json!(session);
        }
        let mut bytes = message.to_string().into_bytes();
        bytes.push(0);
        self.to.write_all(&bytes).expect("the browser listens");
        loop {
            let got = self
                .from
                .recv_timeout(PATIENCE)
                .unwrap_or_else(|e| panic!("{method}: no answer: {e}; is chromium installed?"));
            if got["id"] == json!(self.last_id) {
                assert!(got["error"].is_null(), "{method}: {}", got["error"]);
                return got["result"].clone();
            }
            self.events.push(got);
        }
    }

    /// Opens a page and waits until its plots are drawn. Gives the milliseconds
    /// that took, by the page's own clock.
    ///
    /// # Panics
    /// Where it is never ready.
    pub fn open(&mut self, page: &Path) -> f64 {
        self.events.clear();
        self.call("Page.navigate", json!({"url": format!("file://{}", page.display())}));
        let begun = Instant::now();
        loop {
            let ready = self.value("document.documentElement?.dataset.ready ?? null");
            if let Some(ms) = ready.as_str() {
                return ms.parse().expect("milliseconds");
            }
            assert!(begun.elapsed() < PATIENCE, "never ready: {:?}", self.complaints());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// The value of a script in the page; promises are waited for.
    ///
    /// # Panics
    /// Where the script throws.
    pub fn value(&mut self, script: &str) -> Value {
        let got = self.call(
            "Runtime.evaluate",
            json!({"expression": script, "awaitPromise": true, "returnByValue": true}),
        );
        assert!(got["exceptionDetails"].is_null(), "{script}: {}", got["exceptionDetails"]);
        got["result"]["value"].clone()
    }

    /// The value of a script as a number.
    ///
    /// # Panics
    /// Where it is none.
    pub fn number(&mut self, script: &str) -> f64 {
        let value = self.value(script);
        value.as_f64().unwrap_or_else(|| panic!("{script}: {value}"))
    }

    /// The value of a script as text.
    ///
    /// # Panics
    /// Where it is none.
    pub fn text(&mut self, script: &str) -> String {
        let value = self.value(script);
        value.as_str().unwrap_or_else(|| panic!("{script}: {value}")).to_owned()
    }

    /// Moves the mouse; `kind` is `mouseMoved`, `mousePressed` or `mouseReleased`.
    pub fn mouse(&mut self, kind: &str, x: f64, y: f64) {
        let down = kind != "mouseMoved";
        self.call(
            "Input.dispatchMouseEvent",
            json!({"type": kind, "x": x, "y": y, "button": if down { "left" } else { "none" },
                "clickCount": u8::from(down)}),
        );
    }

    /// Presses and lets go of a key.
    pub fn key(&mut self, key: &str) {
        let mut press = json!({"type": "keyDown", "key": key});
        if key.chars().count() == 1 {
            press["text"] = json!(key);
        }
        self.call("Input.dispatchKeyEvent", press);
        self.call("Input.dispatchKeyEvent", json!({"type": "keyUp", "key": key}));
    }

    /// What went wrong since the page was opened: errors and warnings of the console,
    /// exceptions, and requests for anything but the page itself.
    pub fn complaints(&mut self) -> Vec<String> {
        // One more round, so that everything sent until now is here.
        self.call("Runtime.evaluate", json!({"expression": "1"}));
        let complaint = |e: &Value| match e["method"].as_str()? {
            "Runtime.exceptionThrown" => Some(e["params"]["exceptionDetails"].to_string()),
            "Runtime.consoleAPICalled" => Some(e["params"]["args"].to_string()),
            "Log.entryAdded" => Some(e["params"]["entry"].to_string()),
            "Network.requestWillBeSent" => {
                let url = e["params"]["request"]["url"].as_str()?;
                let own = ["file:", "data:", "blob:"].iter().any(|own| url.starts_with(own));
                (!own).then(|| format!("request: {url}"))
            }
            _ => None,
        };
        self.events.iter().filter_map(complaint).collect()
    }

    /// Serious and critical faults that axe-core finds, each with what it is about.
    pub fn faults_of_access(&mut self) -> Vec<String> {
        self.value(include_str!("../axe/axe.min.js"));
        let found = self.value(
            "axe.run(document).then((r) => r.violations.map((v) => [v.impact, v.id + ': ' + \
             v.nodes.map((n) => n.target + ' ' + n.failureSummary).join(' | ')]))",
        );
        let found = found.as_array().cloned().unwrap_or_default();
        found
            .iter()
            .filter(|v| v[0] == "serious" || v[0] == "critical")
            .map(|v| v[1].as_str().unwrap_or_default().to_owned())
            .collect()
    }

    /// Brings an element into view; gives its left edge, the height of its middle, and
    /// its width, in pixels.
    ///
    /// # Panics
    /// Where there is none.
    pub fn place(&mut self, selector: &str) -> [f64; 3] {
        let b = self.value(&BOX.replace("SEL", selector));
        [0, 1, 2].map(|i| b[i].as_f64().unwrap_or_else(|| panic!("{selector}: {b}")))
    }

    /// Drags over the middle of an element, from one part of its width to another.
    pub fn drag(&mut self, selector: &str, from: f64, to: f64) {
        let [x, y, width] = self.place(selector);
        self.mouse("mouseMoved", x + from * width, y);
        self.mouse("mousePressed", x + from * width, y);
        self.mouse("mouseMoved", x + 0.5 * (from + to) * width, y);
        self.mouse("mouseMoved", x + to * width, y);
        self.mouse("mouseReleased", x + to * width, y);
    }

    /// Asserts that the page follows the colours of the system and that axe-core finds no
    /// serious fault in either; `name` is that of the pictures taken.
    ///
    /// # Panics
    /// Where it does not, or finds one.
    pub fn accessible_in_both_colours(&mut self, name: &str) {
        for scheme in ["light", "dark"] {
            let feature = json!([{"name": "prefers-color-scheme", "value": scheme}]);
            self.call("Emulation.setEmulatedMedia", json!({"features": feature}));
            // A busy machine may take a while to tell the page.
            let begun = Instant::now();
            while self.text("document.documentElement.dataset.theme") != scheme {
                assert!(begun.elapsed() < PATIENCE, "the page follows the system: {scheme}");
                std::thread::sleep(Duration::from_millis(20));
            }
            self.value("new Promise((r) => setTimeout(r, 300))");
            assert_eq!(self.faults_of_access(), Vec::<String>::new(), "{scheme}");
            self.picture(&format!("{name}-{scheme}"));
        }
        self.call("Emulation.setEmulatedMedia", json!({"features": []}));
        self.value("new Promise((r) => setTimeout(r, 300))");
    }

    /// Prints the page; kept as `NAME.pdf` where `SWAYMARK_PICTURES` names a folder.
    ///
    /// # Panics
    /// Where nothing is printed.
    pub fn prints(&mut self, name: &str) {
        let pdf = self
            .call("Page.printToPDF", json!({"preferCSSPageSize": true, "printBackground": true}));
        let pdf = host_sim::html::pack::unbase64(pdf["data"].as_str().unwrap_or_default());
        assert!(pdf.starts_with(b"%PDF"));
        if let Ok(folder) = std::env::var("SWAYMARK_PICTURES") {
            let _ = std::fs::create_dir_all(&folder);
            let _ = std::fs::write(Path::new(&folder).join(format!("{name}.pdf")), pdf);
        }
    }

    /// Takes a picture of the whole page, where `SWAYMARK_PICTURES` names a folder for it.
    pub fn picture(&mut self, name: &str) {
        let Ok(folder) = std::env::var("SWAYMARK_PICTURES") else { return };
        let size = self.call("Page.getLayoutMetrics", json!({}))["cssContentSize"].clone();
        let clip =
            json!({"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1});
        let shot = self
            .call("Page.captureScreenshot", json!({"captureBeyondViewport": true, "clip": clip}));
        let bytes = host_sim::html::pack::unbase64(shot["data"].as_str().unwrap_or_default());
        let _ = std::fs::create_dir_all(&folder);
        let _ = std::fs::write(Path::new(&folder).join(format!("{name}.png")), bytes);
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.to.write_all(b"{\"id\":0,\"method\":\"Browser.close\"}\0");
        let begun = Instant::now();
        while matches!(self.child.try_wait(), Ok(None)) {
            if begun.elapsed() > Duration::from_secs(5) {
                let _ = self.child.kill();
            }
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}
