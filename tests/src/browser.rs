//! A manager at the pages' API.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use serde_json::{Value, json};

/// The first manager's badge and PIN.
const MANAGER: (&str, &str) = ("M1", "407193");

/// A browser, or a program, that keeps cookies and its session's token.
pub struct Browser {
    agent: ureq::Agent,
    url: String,
    cookies: BTreeMap<String, String>,
    token: String,
}

impl Browser {
    /// A manager who is signed in; nobody yet, while the pages are not served. The very first
    /// sets the pages up with the link that lies in the gateway's folder.
    ///
    /// # Panics
    /// When they are served and do not let the manager in.
    #[must_use]
    pub fn manager(pages: SocketAddr, data: &Path) -> Option<Self> {
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(Duration::from_secs(30)))
            .http_status_as_error(false)
            .max_redirects(0);
        let mut browser = Self {
            agent: config.build().into(),
            url: format!("http://{pages}"),
            cookies: BTreeMap::new(),
            token: String::new(),
        };
        let (badge, pin) = MANAGER;
        let link = std::fs::read_to_string(data.join("gateway/set-up-link.txt"));
        let link = link.unwrap_or_default();
        if let Some((_, word)) = link.trim().split_once("word=") {
            let form = format!("token=&word={word}&badge={badge}&name=Mo+Nager&pin={pin}");
            let kind = "application/x-www-form-urlencoded";
            let (status, text) = browser.call("POST", "/setup", Some((kind, form)))?;
            assert_eq!(status, 303, "{text}");
        }
        let who = json!({ "badge": badge, "pin": pin });
        let (status, text) = browser.post("/api/v1/session", &who)?;
        assert_eq!(status, 200, "{text}");
        let session: Value = serde_json::from_str(&text).expect("a session");
        session["token"].as_str()?.clone_into(&mut browser.token);
        Some(browser)
    }

    /// What a call answers: its status and its text; nothing while nobody answers.
    pub fn get(&mut self, path: &str) -> Option<(u16, String)> {
        self.call("GET", path, None)
    }

    /// The same for what changes something.
    pub fn post(&mut self, path: &str, body: &Value) -> Option<(u16, String)> {
        self.call("POST", path, Some(("application/json", body.to_string())))
    }

    fn call(
        &mut self,
        method: &str,
        path: &str,
        body: Option<(&str, String)>,
    ) -> Option<(u16, String)> {
        let cookies = self.cookies.iter().map(|(k, v)| format!("{k}={v}"));
        let cookies = cookies.collect::<Vec<_>>().join("; ");
        let mut request = ureq::http::Request::builder()
            .method(method)
            .uri(format!("{}{path}", self.url))
            .header("x-wheelward-token", &self.token);
        if !cookies.is_empty() {
            request = request.header("cookie", cookies);
        }
        let answered = tokio::task::block_in_place(|| match body {
            Some((kind, body)) => {
                let request = request.header("content-type", kind).body(body);
                self.agent.run(request.expect("a request"))
            }
            None => self.agent.run(request.body(()).expect("a request")),
        });
        let mut answered = answered.ok()?;
        for value in answered.headers().get_all("set-cookie") {
            let value = value.to_str().unwrap_or_default();
            let (name, rest) = value.split_once('=')?;
            let kept = rest.split(';').next().unwrap_or_default();
            self.cookies.insert(name.to_owned(), kept.to_owned());
        }
        let text = tokio::task::block_in_place(|| answered.body_mut().read_to_string());
        Some((answered.status().as_u16(), text.ok()?))
    }
}
