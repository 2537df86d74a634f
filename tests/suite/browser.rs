//! A headless Chromium, driven over the WebDriver protocol by plain HTTP.

#![allow(clippy::disallowed_methods, reason = "tests start the browser")]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};

/// A browser window; closed when dropped.
pub(crate) struct Browser {
    driver: Child,
    port: u16,
    session: String,
    profile: tempfile::TempDir,
}

impl Browser {
    /// A window of that size, in light or dark colours.
    pub(crate) fn start(width: u32, height: u32, dark: bool) -> Self {
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap_or_else(|e| {
                panic!("chromedriver: {e}; Debian: apt-get install chromium chromium-driver")
            });
        let mut lines = BufReader::new(driver.stdout.take().expect("its output")).lines();
        let port = lines
            .find_map(|line| {
                let line = line.expect("text");
                line.split("successfully on port ").nth(1)?.trim_end_matches(['.', ' ']).parse().ok()
            })
            .expect("chromedriver names its port");
        // Its output is read to the end, or the pipe would fill.
        std::thread::spawn(move || lines.for_each(drop));
        let profile = tempfile::tempdir().expect("a folder");
        let mut browser = Self { driver, port, session: String::new(), profile };
        let mut args = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-dev-shm-usage",
            "--hide-scrollbars",
            "--force-prefers-reduced-motion",
        ]
        .map(str::to_owned)
        .to_vec();
        args.push(format!("--user-data-dir={}", browser.profile.path().display()));
        args.push(format!("--window-size={width},{height}"));
        let options = json!({"args": args});
        let wanted = json!({"capabilities": {"alwaysMatch": {
            "browserName": "chrome",
            "goog:chromeOptions": options,
            "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
        }}});
        let session = browser.call("POST", "/session", &wanted);
        browser.session = session["sessionId"].as_str().expect("a session").to_owned();
        // A window is never narrower than 500 px by itself.
        browser.devtools(
            "Emulation.setDeviceMetricsOverride",
            &json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}),
        );
        let scheme = if dark { "dark" } else { "light" };
        browser.devtools(
            "Emulation.setEmulatedMedia",
            &json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]}),
        );
        browser.call("POST", &browser.path("/url"), &json!({"url": "about:blank"}));
        browser.heard();
        browser
    }

    /// Opens a file.
    pub(crate) fn open(&self, file: &Path) {
        self.call("POST", &self.path("/url"), &json!({"url": format!("file://{}", file.display())}));
    }

    /// What a piece of script returns.
    pub(crate) fn ask(&self, script: &str) -> Value {
        self.call("POST", &self.path("/execute/sync"), &json!({"script": script, "args": []}))
    }

    /// Presses a key, by its code of the protocol, or types text.
    pub(crate) fn keys(&self, keys: &str) {
        let actions: Vec<Value> = keys
            .chars()
            .flat_map(|key| ["keyDown", "keyUp"].map(|kind| json!({"type": kind, "value": key.to_string()})))
            .collect();
        let input = json!({"actions": [{"type": "key", "id": "keyboard", "actions": actions}]});
        self.call("POST", &self.path("/actions"), &input);
    }

    /// Moves the pointer to a place of the window and clicks where asked.
    pub(crate) fn point(&self, x: i64, y: i64, click: bool) {
        let mut actions = vec![json!({"type": "pointerMove", "duration": 0, "x": x, "y": y})];
        if click {
            actions.push(json!({"type": "pointerDown", "button": 0}));
            actions.push(json!({"type": "pointerUp", "button": 0}));
        }
        let input = json!({"actions": [{"type": "pointer", "id": "mouse", "actions": actions}]});
        self.call("POST", &self.path("/actions"), &input);
    }

    /// Messages of the console, and addresses that pages asked for, since the last time.
    pub(crate) fn heard(&self) -> (Vec<String>, Vec<String>) {
        let log = |kind: &str| -> Vec<String> {
            let entries = self.call("POST", &self.path("/se/log"), &json!({"type": kind}));
            let entries = entries.as_array().expect("a list").iter();
            entries.map(|entry| entry["message"].as_str().unwrap_or_default().to_owned()).collect()
        };
        let events = log("performance");
        let asked = events.iter().filter_map(|entry| {
            let event: Value = serde_json::from_str(entry).ok()?;
            let params = &event["message"]["params"];
            // The browser's own first page is none of ours.
            let ours = !params["documentURL"].as_str()?.starts_with("chrome:");
            (ours && event["message"]["method"] == "Network.requestWillBeSent")
                .then(|| params["request"]["url"].as_str().unwrap_or_default().to_owned())
        });
        let asked = asked.collect();
        (log("browser"), asked)
    }

    fn devtools(&self, command: &str, params: &Value) {
        self.call("POST", &self.path("/goog/cdp/execute"), &json!({"cmd": command, "params": params}));
    }

    fn path(&self, rest: &str) -> String {
        format!("/session/{}{rest}", self.session)
    }

    fn call(&self, method: &str, path: &str, body: &Value) -> Value {
        let answer = self.send(method, path, body).unwrap_or_else(|e| panic!("{method} {path}: {e}"));
        let value = answer["value"].clone();
        assert!(value.get("error").is_none_or(Value::is_null), "{method} {path}: {value}");
        value
    }

    fn send(&self, method: &str, path: &str, body: &Value) -> std::io::Result<Value> {
        let body = if body.is_null() { String::new() } else { body.to_string() };
        let mut stream = TcpStream::connect(("127.0.0.1", self.port))?;
        stream.set_read_timeout(Some(Duration::from_mins(2)))?;
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nContent-Type: application/json\r\n\
             Content-Length: {}\r\nConnection: close\r\n\r\n",
            self.port,
            body.len()
        );
        stream.write_all(head.as_bytes())?;
        stream.write_all(body.as_bytes())?;
        let mut answer = BufReader::new(stream);
        let mut length = 0;
        loop {
            let mut line = String::new();
            answer.read_line(&mut line)?;
            if line.trim().is_empty() {
                break;
            }
            if let Some((name, value)) = line.split_once(':')
                && name.eq_ignore_ascii_case("content-length")
            {
                length = value.trim().parse().expect("a length");
            }
        }
        let mut bytes = vec![0; length];
        answer.read_exact(&mut bytes)?;
        Ok(serde_json::from_slice(&bytes)?)
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // The driver ends the browser that it started.
        if !self.session.is_empty() {
            _ = self.send("DELETE", &self.path(""), &Value::Null);
        }
        _ = self.driver.kill();
        _ = self.driver.wait();
    }
}
