//! What every request has to pass, and what every answer says to the browser.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::Arc;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};
use tokio::time::Instant;

use super::door::Device;
use super::listen::authority;
use super::routes::App;

/// Where a request comes from and where it arrived.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ends {
    pub(super) peer: SocketAddr,
    pub(super) local: SocketAddr,
}

/// What the page may do: its own files and its own program, nothing else.
pub(super) const PAGE_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; \
     connect-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; \
     frame-ancestors 'none'";

/// Headers of every answer.
const HEADERS: [(HeaderName, &str); 6] = [
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::CACHE_CONTROL, "no-store"),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("permissions-policy"),
        "screen-wake-lock=(self), camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    ),
];

/// Lets a request pass or turns it away.
///
/// Whoever has no valid cookie gets 401 whatever they ask for, so that the answer tells nothing;
/// only the door itself can be seen, and tried with a key.
pub(super) async fn check(
    State(app): State<Arc<App>>,
    mut request: Request,
    next: Next,
) -> Response {
    let turned_away = pass(&app, &mut request);
    let mut response = match turned_away {
        Ok(()) => next.run(request).await,
        Err(status) if status == StatusCode::UNAUTHORIZED => app.unauthorized(&request),
        Err(status) => status.into_response(),
    };
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    let policy = HeaderValue::from_static(PAGE_POLICY);
    headers
        .entry(header::CONTENT_SECURITY_POLICY)
        .or_insert(policy);
    response
}

fn pass(app: &App, request: &mut Request) -> Result<(), StatusCode> {
    let ends = request.extensions().get::<Ends>().copied();
    let ends = ends.ok_or(StatusCode::UNAUTHORIZED)?;
    let headers = request.headers();
    let Some(host) = host(headers).filter(|host| is_own(host, ends.local)) else {
        return Err(StatusCode::UNAUTHORIZED);
    };
    let token = cookie(headers, &app.cookie);
    let device = token.and_then(|token| app.door.device(token));
    let Some(device) = device else {
        // To try a key is all that is left to do, with the checks of any other request.
        let tries_a_key = request.method() == Method::POST && request.uri().path() == "/enter";
        let may = tries_a_key && comes_from_page(request, host).is_ok();
        return if may {
            Ok(())
        } else {
            Err(StatusCode::UNAUTHORIZED)
        };
    };
    if request.method() != Method::GET && request.method() != Method::POST {
        return Err(StatusCode::METHOD_NOT_ALLOWED);
    }
    comes_from_page(request, host)?;
    if !app.rate.allows(device, Instant::now()) {
        return Err(StatusCode::TOO_MANY_REQUESTS);
    }
    request.extensions_mut().insert::<Device>(device);
    Ok(())
}

/// The name in `Host`, if there is exactly one.
fn host(headers: &HeaderMap) -> Option<&str> {
    let mut all = headers.get_all(header::HOST).iter();
    let host = all.next()?.to_str().ok()?;
    all.next().is_none().then_some(host)
}

/// Whether that is a name of the address at which the request arrived. A name that someone else
/// has pointed to this address is not: so a page of theirs can't read this one.
fn is_own(host: &str, local: SocketAddr) -> bool {
    let local = SocketAddr::new(local.ip().to_canonical(), local.port());
    if host.eq_ignore_ascii_case(&authority(local)) {
        return true;
    }
    let at = |address: IpAddr| authority(SocketAddr::new(address, local.port()));
    let name = at(Ipv4Addr::LOCALHOST.into()).replace("127.0.0.1", "localhost");
    let names = [
        name,
        at(Ipv4Addr::LOCALHOST.into()),
        at(Ipv6Addr::LOCALHOST.into()),
    ];
    local.ip().is_loopback() && names.iter().any(|one| host.eq_ignore_ascii_case(one))
}

/// Turns away what another site has a browser ask for.
fn comes_from_page(request: &Request, host: &str) -> Result<(), StatusCode> {
    let (headers, path) = (request.headers(), request.uri().path());
    let origin = headers.get(header::ORIGIN);
    let is_own = |origin: &HeaderValue| origin.as_bytes() == format!("http://{host}").as_bytes();
    // A browser never leaves it out where something is sent.
    if origin.map_or(request.method() == Method::POST, |origin| !is_own(origin)) {
        return Err(StatusCode::FORBIDDEN);
    }
    let site = headers.get("sec-fetch-site").map(HeaderValue::as_bytes);
    let by_hand = path == "/" && request.method() == Method::GET;
    match site {
        None | Some(b"same-origin") => Ok(()),
        // Someone opens the link, wherever they found it.
        Some(_)
            if by_hand
                && headers
                    .get("sec-fetch-mode")
                    .is_none_or(|mode| mode == "navigate") =>
        {
            Ok(())
        }
        Some(_) => Err(StatusCode::FORBIDDEN),
    }
}

/// The cookie of that name.
fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let all = headers.get_all(header::COOKIE).iter();
    let mut pairs = all
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'));
    pairs.find_map(|pair| pair.trim().strip_prefix(name)?.strip_prefix('='))
}

impl App {
    /// 401: the door where the page would be, else nothing.
    fn unauthorized(&self, request: &Request<Body>) -> Response {
        let ends = request.extensions().get::<Ends>();
        let host = host(request.headers());
        let is_own = ends
            .zip(host)
            .is_some_and(|(ends, host)| is_own(host, ends.local));
        if is_own && request.method() == Method::GET && request.uri().path() == "/" {
            let html = HeaderValue::from_static("text/html; charset=utf-8");
            let headers = [
                (header::CONTENT_TYPE, html),
                (header::CONTENT_SECURITY_POLICY, self.front.policy.clone()),
            ];
            return (StatusCode::UNAUTHORIZED, headers, self.front.html.clone()).into_response();
        }
        StatusCode::UNAUTHORIZED.into_response()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_the_address_where_it_arrived_and_no_others() {
        let own = |host: &str, local: &str| is_own(host, local.parse().unwrap());
        assert!(own("192.168.1.20:17845", "192.168.1.20:17845"));
        assert!(own("192.168.1.20:17845", "[::ffff:192.168.1.20]:17845"));
        assert!(own("[fd00::7]:80", "[fd00::7]:80") != own("[fd00::7]", "[fd00::7]:80"));
        for host in [
            "127.0.0.1:9000",
            "localhost:9000",
            "LocalHost:9000",
            "[::1]:9000",
        ] {
            assert!(own(host, "127.0.0.1:9000"), "{host}");
            assert!(!own(host, "192.168.1.20:9000"), "{host}");
        }
        for host in [
            "",
            "localhost",
            "127.0.0.1",
            "127.0.0.1:9001",
            "evil.example:9000",
            "127.0.0.1.evil.example:9000",
            "127.0.0.1:9000.",
            "127.1:9000",
        ] {
            assert!(!own(host, "127.0.0.1:9000"), "{host}");
        }
    }

    #[test]
    fn one_cookie_of_several() {
        let mut headers = HeaderMap::new();
        headers.append(
            header::COOKIE,
            HeaderValue::from_static("a=1; throwproof-1=xyz; b=2"),
        );
        assert_eq!(cookie(&headers, "throwproof-1"), Some("xyz"));
        assert_eq!(cookie(&headers, "throwproof"), None);
        assert_eq!(cookie(&headers, "b"), Some("2"));
    }
}
