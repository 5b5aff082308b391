//! A headless browser over its own debugging protocol, as much of it as the tests need.

use std::collections::VecDeque;
use std::ffi::OsString;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tempfile::TempDir;
use tungstenite::stream::MaybeTlsStream;
use tungstenite::{Message, WebSocket};

/// Longest time that any single step may take.
const PATIENCE: Duration = Duration::from_secs(30);

/// Names that distributions give the browser.
const NAMES: [&str; 2] = ["chromium", "chromium-browser"];

/// The browser to start: `PLUMBTONE_BROWSER`, or the first of [`NAMES`] that can be.
///
/// Without one the test is skipped, and says so past the capture of the test harness; with
/// `PLUMBTONE_BROWSER_REQUIRED` set it fails.
fn browser() -> Option<OsString> {
    let named = std::env::var_os("PLUMBTONE_BROWSER").filter(|name| !name.is_empty());
    let names = named.map_or_else(|| NAMES.map(OsString::from).to_vec(), |name| vec![name]);
    let starts = |name: &&OsString| {
        Command::new(name).arg("--version").output().is_ok_and(|o| o.status.success())
    };
    if let Some(name) = names.iter().find(starts) {
        return Some(name.clone());
    }
    let text = format!(
        "{names:?} cannot be started: install chromium or name a browser in PLUMBTONE_BROWSER"
    );
    let required = std::env::var_os("PLUMBTONE_BROWSER_REQUIRED").is_some_and(|v| !v.is_empty());
    assert!(!required, "{text}");
    writeln!(std::io::stderr(), "SKIPPED, the page was not opened: {text}").ok();
    None
}

/// One page in a browser of its own.
pub struct Tab {
    child: Child,
    socket: WebSocket<MaybeTlsStream<TcpStream>>,
    session: String,
    next: u64,
    /// What the page has sent and nobody has looked at.
    events: VecDeque<Value>,
    _profile: TempDir,
}

impl Tab {
    /// A blank page; nothing where there is no browser.
    pub fn open() -> Option<Self> {
        let profile = tempfile::tempdir().expect("a temporary folder");
        let mut child = Command::new(browser()?)
            .args(["--headless", "--remote-debugging-port=0", "--no-first-run", "--disable-gpu"])
            .args(["--disable-background-networking", "--disable-component-update"])
            // Containers lack what the sandbox needs, and the pages are our own.
            .args(["--disable-sync", "--disable-dev-shm-usage", "--no-sandbox"])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .arg("about:blank")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the browser starts");
        let errors = BufReader::new(child.stderr.take().expect("piped"));
        let (tell, told) = std::sync::mpsc::channel();
        // Read to the end, so that the browser never waits for a full pipe.
        std::thread::spawn(move || {
            for line in errors.lines().map_while(Result::ok) {
                if let Some((_, address)) = line.split_once("DevTools listening on ") {
                    tell.send(address.trim().to_owned()).ok();
                }
            }
        });
        let address = told.recv_timeout(PATIENCE).expect("the browser tells its address");
        let (socket, _) = tungstenite::connect(address.as_str()).expect("a connection");
        if let MaybeTlsStream::Plain(stream) = socket.get_ref() {
            stream.set_read_timeout(Some(PATIENCE)).expect("a time limit");
        }
        let (session, events) = (String::new(), VecDeque::new());
        let mut tab = Self { child, socket, session, next: 0, events, _profile: profile };
        let target = tab.call("Target.createTarget", json!({ "url": "about:blank" }));
        let target = target["targetId"].as_str().expect("a target").to_owned();
        let attach = json!({ "targetId": target, "flatten": true });
        let attached = tab.call("Target.attachToTarget", attach);
        tab.session = attached["sessionId"].as_str().expect("a session").to_owned();
        for domain in ["Page", "Runtime", "Log", "Network", "Accessibility"] {
            tab.call(&format!("{domain}.enable"), json!({}));
        }
        Some(tab)
    }

    /// Calls a method of the protocol and returns its result.
    pub fn call(&mut self, method: &str, params: Value) -> Value {
        self.next += 1;
        let id = self.next;
        let mut message = json!({ "id": id, "method": method, "params": params });
        if !self.session.is_empty() {
            message["sessionId"] = self.session.as_str().into();
        }
        self.socket.send(Message::text(message.to_string())).expect("sent");
        loop {
            let answer = self.receive();
            if answer["id"] == id {
                assert!(answer["error"].is_null(), "{method}: {}", answer["error"]);
                return answer["result"].clone();
            }
            self.events.push_back(answer);
        }
    }

    fn receive(&mut self) -> Value {
        loop {
            if let Message::Text(text) = self.socket.read().expect("an answer in time") {
                return serde_json::from_str(&text).expect("JSON");
            }
        }
    }

    /// The size of the window, px.
    pub fn size(&mut self, [width, height]: [u32; 2]) {
        let mobile = width < 600;
        self.call(
            "Emulation.setDeviceMetricsOverride",
            json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": mobile }),
        );
    }

    /// "light" or "dark".
    pub fn scheme(&mut self, scheme: &str) {
        let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
        self.call("Emulation.setEmulatedMedia", json!({ "features": features }));
    }

    /// Loads a page from disk; returns the seconds until it had loaded.
    pub fn load(&mut self, page: &Path) -> f64 {
        self.events.clear();
        let clock = Instant::now();
        self.call("Page.navigate", json!({ "url": format!("file://{}", page.display()) }));
        while !self.events.iter().any(|event| event["method"] == "Page.loadEventFired") {
            let event = self.receive();
            self.events.push_back(event);
        }
        clock.elapsed().as_secs_f64()
    }

    /// The value of an expression; promises are waited for.
    pub fn value(&mut self, expression: &str) -> Value {
        let params = json!({
            "expression": expression, "returnByValue": true, "awaitPromise": true
        });
        let result = self.call("Runtime.evaluate", params);
        assert!(result["exceptionDetails"].is_null(), "{expression}: {result}");
        result["result"]["value"].clone()
    }

    /// Presses and releases a key.
    pub fn press(&mut self, key: &str) {
        for kind in ["keyDown", "keyUp"] {
            let text = if key.len() == 1 && kind == "keyDown" { key } else { "" };
            let code = if key == "Tab" { 9 } else { 0 };
            self.call(
                "Input.dispatchKeyEvent",
                json!({ "type": kind, "key": key, "text": text, "windowsVirtualKeyCode": code }),
            );
        }
    }

    /// What the page has complained of since it was loaded: errors, warnings, failed requests.
    pub fn complaints(&mut self) -> Vec<String> {
        // Whatever is on its way comes before this answer.
        self.value("1");
        let bad = |event: &&Value| match event["method"].as_str() {
            Some("Runtime.exceptionThrown") => true,
            // A player that knows enough stops loading by itself.
            Some("Network.loadingFailed") => event["params"]["canceled"] != true,
            Some("Runtime.consoleAPICalled") => {
                ["error", "warning", "assert"].iter().any(|kind| event["params"]["type"] == *kind)
            }
            Some("Log.entryAdded") => {
                ["error", "warning"].iter().any(|l| event["params"]["entry"]["level"] == *l)
            }
            _ => false,
        };
        self.events.iter().filter(bad).map(Value::to_string).collect()
    }

    /// Addresses that the page has asked for.
    pub fn requests(&self) -> Vec<String> {
        let asked = |e: &&Value| e["method"] == "Network.requestWillBeSent";
        let url = |e: &Value| e["params"]["request"]["url"].as_str().unwrap_or_default().to_owned();
        self.events.iter().filter(asked).map(url).collect()
    }
}

impl Drop for Tab {
    fn drop(&mut self) {
        self.session.clear();
        let close = json!({ "id": 0, "method": "Browser.close" });
        // A browser that closes by itself leaves no process and no file behind.
        let closing = self.socket.send(Message::text(close.to_string())).is_ok();
        let clock = Instant::now();
        while closing && clock.elapsed() < Duration::from_secs(5) {
            if !matches!(self.child.try_wait(), Ok(None)) {
                return;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        self.child.kill().ok();
        self.child.wait().ok();
    }
}
