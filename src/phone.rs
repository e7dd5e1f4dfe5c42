//! The page on which phones answer: served by the program itself, to who has the key.
//!
//! The page is a seat at the [desk](crate::witness::desk): it shows the scene and hands in answers,
//! and the engine knows nothing of it. It is served over plain HTTP and asks nothing of any other
//! host. Who is let in is said in [`Door`]; what every request has to pass, in `gate`.

use std::convert::Infallible;
use std::fmt;
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio::runtime::Builder;
use tokio::sync::watch;
use tokio::time::timeout;
use tower::ServiceExt as _;

use crate::witness::desk::Seat;

mod answer;
mod base64;
mod door;
mod gate;
mod invitation;
mod ledger;
mod listen;
mod live;
mod page;
mod places;
mod routes;

pub use door::{Door, DoorError};
pub use listen::{Listen, ListenError, PORT};

use gate::Ends;
use places::{Place, Places};
use routes::App;

/// How long a request may take to be said, from its first byte or the end of the one before.
const HEADER_TIME: Duration = Duration::from_secs(10);

/// The most that a request may say before its body, bytes.
const HEADER: usize = 16 * 1024;

/// How long phones get to hear how it ended.
const FAREWELL: Duration = Duration::from_secs(2);

/// How long to wait when the system has no room for another connection.
const NO_ROOM: Duration = Duration::from_millis(100);

/// Why the page can't be served.
#[derive(Debug, thiserror::Error)]
pub enum PhoneError {
    /// Nothing can be listened for there.
    #[error("the phone page can't be served at {at}")]
    Listen {
        /// Where.
        at: Listen,
        /// Why not.
        #[source]
        source: io::Error,
    },
}

/// The page, as it is served. Dropping it ends that.
pub struct Phone {
    door: Arc<Door>,
    bound: SocketAddr,
    app: Arc<App>,
    places: Places,
    closing: watch::Sender<bool>,
}

impl fmt::Debug for Phone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Not the key.
        f.debug_struct("Phone")
            .field("bound", &self.bound)
            .finish_non_exhaustive()
    }
}

impl Phone {
    /// Serves the page from now on, on a thread of its own.
    ///
    /// # Errors
    /// When nothing can be listened for there, or the system gives no thread.
    pub async fn open(listen: Listen, door: Door, seat: Seat) -> Result<Self, PhoneError> {
        let failed = |source| PhoneError::Listen { at: listen, source };
        let listener = listen.bind(door.port()).await.map_err(failed)?;
        let bound = listener.local_addr().map_err(failed)?;
        let listener = listener.into_std().map_err(failed)?;
        // Phones are answered also while the program works something out.
        let runtime = Builder::new_current_thread();
        let runtime = { runtime }.enable_all().build().map_err(failed)?;
        let inside = runtime.enter();
        let listener = TcpListener::from_std(listener).map_err(failed)?;
        door.listens_on(bound.port());
        let door = Arc::new(door);
        let app = Arc::new(App::new(seat, Arc::clone(&door), bound.port()));
        let places = Places::new();
        let (closing, closed) = watch::channel(false);
        let router = routes::router(Arc::clone(&app));
        drop(inside);
        let serving = accept(listener, router, places.clone(), closed);
        let left = places.clone();
        let thread = std::thread::Builder::new().name("phone".to_owned());
        let spawned = thread.spawn(move || {
            runtime.block_on(async {
                serving.await;
                if timeout(FAREWELL, left.empty()).await.is_err() {
                    tracing::debug!("a phone does not hang up");
                }
            });
        });
        spawned.map_err(failed)?;
        Ok(Self {
            door,
            bound,
            app,
            places,
            closing,
        })
    }

    /// What to show so that phones find the page; as a QR code too if it is for a terminal.
    pub fn invitation(&self, is_terminal: bool) -> String {
        let at = listen::reached_at(self.bound);
        invitation::text(&at, self.door.key(), is_terminal)
    }

    /// Shows every phone the scene as it is now, then ends.
    pub async fn farewell(self) {
        self.app.streams.close();
        self.closing.send_replace(true);
        // The thread that serves it waits no longer, and says so.
        let _all_have_left = timeout(FAREWELL, self.places.empty()).await;
    }
}

/// Takes connections until the page is closed.
async fn accept(
    listener: TcpListener,
    router: Router,
    places: Places,
    mut closed: watch::Receiver<bool>,
) {
    loop {
        let accepted = tokio::select! {
            biased;
            _ = closed.changed() => return,
            accepted = listener.accept() => accepted,
        };
        let (stream, peer) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::debug!(%error, "a connection to the phone page can't be taken");
                tokio::time::sleep(NO_ROOM).await;
                continue;
            }
        };
        if let Some(place) = places.take(peer.ip().to_canonical()) {
            tokio::spawn(serve(stream, peer, place, router.clone(), closed.clone()));
        } else {
            tracing::debug!(%peer, "too many connections to the phone page");
        }
    }
}

async fn serve(
    stream: TcpStream,
    peer: SocketAddr,
    place: Place,
    router: Router,
    mut closed: watch::Receiver<bool>,
) {
    let Ok(local) = stream.local_addr() else {
        return;
    };
    if let Err(error) = stream.set_nodelay(true) {
        tracing::debug!(%error, "answers to a phone may take longer");
    }
    let service = service_fn(move |request: hyper::Request<Incoming>| {
        let mut request: Request = request.map(axum::body::Body::new);
        request.extensions_mut().insert(Ends { peer, local });
        let router = router.clone();
        async move {
            Ok::<_, Infallible>(
                router
                    .oneshot(request)
                    .await
                    .unwrap_or_else(|never| match never {}),
            )
        }
    });
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new())
        .header_read_timeout(HEADER_TIME)
        .max_buf_size(HEADER);
    let mut connection = std::pin::pin!(http.serve_connection(TokioIo::new(stream), service));
    let done = tokio::select! {
        done = connection.as_mut() => done,
        _ = closed.changed() => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = done {
        tracing::debug!(%peer, %error, "a connection to the phone page broke");
    }
    drop(place);
}

#[cfg(test)]
mod tests;
