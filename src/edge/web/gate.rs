//! Who may ask what: the Host header, the token, and the headers that every answer carries.
//!
//! On this machine's own address reading is free. Listening for the local network, every request
//! needs the token. Whatever changes something needs it always.

use std::fmt::Write as _;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::header::{
    AUTHORIZATION, CACHE_CONTROL, CONTENT_SECURITY_POLICY, COOKIE, HOST, ORIGIN, REFERRER_POLICY,
    SET_COOKIE, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{Html, IntoResponse as _, Response};
use subtle::ConstantTimeEq as _;

use super::CameTo;

/// Length of a token (bytes, before they are written as hex digits).
const TOKEN_BYTES: usize = 16;
/// Nothing but what this server sends is loaded, run or framed.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
                      connect-src 'self'; form-action 'self'; base-uri 'none'; \
                      frame-ancestors 'none'";

/// What whoever asks has to show.
#[derive(Clone)]
pub struct Token(String);

impl Token {
    /// A new one, by the system's generator.
    ///
    /// # Errors
    /// The system has no random numbers.
    pub fn random() -> Result<Self, getrandom::Error> {
        let mut bytes = [0; TOKEN_BYTES];
        getrandom::fill(&mut bytes)?;
        Ok(Self(hex::encode(bytes)))
    }

    /// The text that is printed for its owner, and nowhere else.
    pub fn text(&self) -> &str {
        &self.0
    }

    /// Whether `shown` is the token; how long that takes tells nothing of it.
    pub fn is(&self, shown: &str) -> bool {
        self.0.as_bytes().ct_eq(shown.as_bytes()).into()
    }
}

/// How far whoever asks may go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pass {
    /// May read.
    Reader,
    /// Has shown the token: may write notes.
    Holder,
}

/// Decides about each request.
pub struct Gate {
    token: Token,
    /// Whether reading is free.
    open: bool,
    port: u16,
    /// This machine's names, beside its addresses.
    names: Vec<String>,
}

impl Gate {
    /// The gate of a server that listens at `address`: reading is free only where that is this
    /// machine's own; `names` are what else the machine is called.
    pub fn new(token: Token, address: SocketAddr, names: Vec<String>) -> Self {
        Self { token, open: address.ip().is_loopback(), port: address.port(), names }
    }

    /// Whether reading is free.
    pub fn is_open(&self) -> bool {
        self.open
    }

    /// The token.
    pub fn token(&self) -> &Token {
        &self.token
    }

    /// Whether a Host header means this server. Another's name, made to point here, is refused.
    fn is_ours(&self, host: &str, came_to: SocketAddr) -> bool {
        let (name, port) = match host.rsplit_once(':') {
            Some((name, port)) if !port.ends_with(']') => (name, port.parse().ok()),
            _ => (host, Some(80)),
        };
        if port != Some(self.port) {
            return false;
        }
        let bare = name.trim_start_matches('[').trim_end_matches(']');
        if let Ok(address) = bare.parse::<IpAddr>() {
            return address == came_to.ip().to_canonical();
        }
        let local = came_to.ip().to_canonical().is_loopback();
        (local && name.eq_ignore_ascii_case("localhost"))
            || (!self.open && self.names.iter().any(|known| name.eq_ignore_ascii_case(known)))
    }

    /// The cookie's name; browsers keep cookies by machine, not by port.
    fn cookie(&self) -> String {
        format!("settled-{}", self.port)
    }

    fn has_token(&self, headers: &HeaderMap) -> bool {
        let text = |value: &'_ HeaderValue| value.to_str().ok().map(str::to_owned);
        let bearer = headers.get(AUTHORIZATION).and_then(text);
        if bearer.is_some_and(|t| t.strip_prefix("Bearer ").is_some_and(|t| self.token.is(t))) {
            return true;
        }
        let name = self.cookie();
        headers.get_all(COOKIE).iter().filter_map(text).any(|cookies| {
            let mut pairs = cookies.split(';').filter_map(|pair| pair.trim().split_once('='));
            pairs.any(|(key, value)| key == name && self.token.is(value))
        })
    }

    /// The answer to a request that goes no further, or how far it may go.
    fn judge(&self, request: &Request, came_to: SocketAddr) -> Result<Pass, Box<Response>> {
        let host = request.headers().get(HOST).and_then(|host| host.to_str().ok());
        if !host.is_some_and(|host| self.is_ours(host, came_to)) {
            let say = "This page answers only by its own address; open the one that was printed.";
            return Err(Box::new((StatusCode::MISDIRECTED_REQUEST, say).into_response()));
        }
        if let Some(shown) = shown(request) {
            return Err(Box::new(if self.token.is(&shown) {
                self.let_in(request.uri().path())
            } else {
                door(StatusCode::FORBIDDEN, "That is not the token.")
            }));
        }
        let pass = if self.has_token(request.headers()) { Pass::Holder } else { Pass::Reader };
        if pass == Pass::Reader && !self.open {
            return Err(Box::new(door(StatusCode::UNAUTHORIZED, "This page needs its token.")));
        }
        let reads = matches!(*request.method(), Method::GET | Method::HEAD);
        let origin = request.headers().get(ORIGIN).map(|origin| origin.to_str().unwrap_or(""));
        let foreign = origin.is_some_and(|origin| origin.strip_prefix("http://") != host);
        if !reads && (pass != Pass::Holder || foreign) {
            let say = "Writing needs the token; open the address with the token first.";
            return Err(Box::new((StatusCode::FORBIDDEN, say).into_response()));
        }
        Ok(pass)
    }

    /// Gives the cookie and goes on to the page. Not by a redirect: after one that another site
    /// began, browsers would keep a strict cookie back.
    fn let_in(&self, path: &str) -> Response {
        let path = if path.starts_with('/') && !path.starts_with("//") {
            escape(path)
        } else {
            "/".to_owned()
        };
        let page = format!(
            "<!DOCTYPE html><html lang=en><meta charset=utf-8><title>settled</title>\
             <meta http-equiv=refresh content=\"0; url={path}\">\
             <p>The token is right. <a href=\"{path}\">Go on to the page</a>."
        );
        let cookie = format!(
            "{}={}; Path=/; HttpOnly; SameSite=Strict; Max-Age=604800",
            self.cookie(),
            self.token.text()
        );
        ([(SET_COOKIE, cookie)], Html(page)).into_response()
    }
}

/// Lets a request through to the routes, with its [`Pass`], or answers it; every answer gets the
/// headers that keep a browser from doing more than showing it.
pub async fn guard(State(gate): State<Arc<Gate>>, mut request: Request, next: Next) -> Response {
    let came_to = request.extensions().get::<CameTo>().map(|came_to| came_to.0);
    let judged = match came_to {
        Some(came_to) => gate.judge(&request, came_to),
        None => Err(Box::new(StatusCode::INTERNAL_SERVER_ERROR.into_response())),
    };
    let mut answer = match judged {
        Ok(pass) => {
            request.extensions_mut().insert(pass);
            next.run(request).await
        }
        Err(answer) => *answer,
    };
    let headers = answer.headers_mut();
    let fixed = |text| HeaderValue::from_static(text);
    headers.insert(CONTENT_SECURITY_POLICY, fixed(POLICY));
    headers.insert(X_CONTENT_TYPE_OPTIONS, fixed("nosniff"));
    headers.insert(REFERRER_POLICY, fixed("no-referrer"));
    let same_origin = fixed("same-origin");
    headers.insert(HeaderName::from_static("cross-origin-opener-policy"), same_origin.clone());
    headers.insert(HeaderName::from_static("cross-origin-resource-policy"), same_origin);
    headers.entry(CACHE_CONTROL).or_insert(fixed("no-store"));
    answer
}

/// The token in a request's query.
fn shown(request: &Request) -> Option<String> {
    let query = request.uri().query()?;
    let mut pairs = query.split('&').filter_map(|pair| pair.split_once('='));
    pairs.find(|(key, _)| *key == "token").map(|(_, value)| value.trim().to_owned())
}

/// A page that asks for the token.
fn door(status: StatusCode, say: &str) -> Response {
    let page = format!(
        "<!DOCTYPE html><html lang=en><meta charset=utf-8><title>settled</title>\
         <meta name=viewport content=\"width=device-width, initial-scale=1\">\
         <h1>{}</h1><p>Open the address, or scan the code, that the terminal printed; or type the \
         token from there.\
         <form><label>Token <input name=token autocomplete=off autocapitalize=off></label> \
         <button>Go on</button></form>",
        escape(say)
    );
    (status, Html(page)).into_response()
}

fn escape(text: &str) -> String {
    text.chars().fold(String::new(), |mut out, letter| {
        match letter {
            '<' | '>' | '&' | '"' | '\'' => {
                // Writing to a String does not fail.
                let _ = write!(out, "&#{};", u32::from(letter));
            }
            _ => out.push(letter),
        }
        out
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOCAL: &str = "127.0.0.1:8095";
    const OUTWARD: &str = "192.0.2.7:8095";

    fn gate(listen: &str) -> Gate {
        let names = vec!["bench".to_owned(), "bench.local".to_owned()];
        Gate::new(Token("5".repeat(32)), listen.parse().unwrap(), names)
    }

    #[track_caller]
    fn check(listen: &str, came_to: &str, host: &str, expected: bool) {
        assert_eq!(gate(listen).is_ours(host, came_to.parse().unwrap()), expected, "{host}");
    }

    #[test]
    fn only_this_machines_own_names_are_hosts() {
        check(LOCAL, LOCAL, "127.0.0.1:8095", true);
        check(LOCAL, LOCAL, "localhost:8095", true);
        check(LOCAL, LOCAL, "LOCALHOST:8095", true);
        check(LOCAL, LOCAL, "localhost", false);
        check(LOCAL, LOCAL, "localhost:8096", false);
        check(LOCAL, LOCAL, "127.0.0.2:8095", false);
        check(LOCAL, LOCAL, "bench:8095", false);
        check(LOCAL, LOCAL, "evil.example:8095", false);
        check(LOCAL, LOCAL, "localhost:8095.evil.example", false);
        check(LOCAL, LOCAL, "", false);
        check("[::1]:8095", "[::1]:8095", "[::1]:8095", true);
        check("[::1]:80", "[::1]:80", "[::1]", true);
        check("0.0.0.0:8095", OUTWARD, "192.0.2.7:8095", true);
        check("0.0.0.0:8095", OUTWARD, "bench.local:8095", true);
        check("0.0.0.0:8095", OUTWARD, "localhost:8095", false);
        check("0.0.0.0:8095", OUTWARD, "192.0.2.8:8095", false);
        check("[::]:8095", "[::ffff:192.0.2.7]:8095", "192.0.2.7:8095", true);
    }

    #[test]
    fn a_token_is_right_only_as_a_whole() {
        let token = Token::random().unwrap();
        assert_eq!(token.text().len(), 2 * TOKEN_BYTES);
        assert!(token.is(token.text()));
        assert!(!token.is(""));
        assert!(!token.is(&token.text()[1..]));
        assert!(!token.is(&format!("{}0", token.text())));
        assert_ne!(token.text(), Token::random().unwrap().text());
    }

    #[test]
    fn a_cookie_counts_only_by_its_name() {
        let gate = gate("0.0.0.0:8095");
        let with = |cookie: &str| {
            let mut headers = HeaderMap::new();
            headers.insert(COOKIE, cookie.parse().unwrap());
            gate.has_token(&headers)
        };
        let token = gate.token.text();
        assert!(with(&format!("a=b; settled-8095={token}")));
        assert!(!with(&format!("settled-8096={token}")));
        assert!(!with("settled-8095="));
        assert!(!with(&format!("xsettled-8095={token}")));
    }
}
