//! Clients by TCP, several at a time.

use std::net::SocketAddr;
use std::rc::Rc;
use std::time::Duration;

use bytes::BytesMut;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc::Sender;
use tokio::time::{sleep, timeout};

use super::ServeError;
use super::line::{ClientId, Input, READ, Tasks, Wire};
use super::outlet::Outlet;
use crate::link::wire::Way;

/// Clients at a time. More than any layout has, and few enough for memory.
const MOST: usize = 64;

/// A client that takes nothing for so long, though something waits for it, is gone.
const STUCK: Duration = Duration::from_secs(60);

/// How long to wait when the system can't accept a client, for want of file handles, say.
const REST: Duration = Duration::from_millis(200);

/// Listens, and serves whoever comes; where it listens.
pub(super) async fn listen(
    address: SocketAddr,
    inputs: Sender<Input>,
    wire: Wire,
    tasks: Tasks,
) -> Result<SocketAddr, ServeError> {
    let failed = |source| ServeError::Listen { address, source };
    let listener = TcpListener::bind(address).await.map_err(failed)?;
    let listening = listener.local_addr().map_err(failed)?;
    tokio::task::spawn_local(accept(listener, inputs, wire, tasks));
    Ok(listening)
}

async fn accept(listener: TcpListener, inputs: Sender<Input>, wire: Wire, tasks: Tasks) {
    let mut client: ClientId = 0;
    loop {
        let (stream, peer) = match listener.accept().await {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::warn!(%error, "a client can't be accepted");
                sleep(REST).await;
                continue;
            }
        };
        tasks.borrow_mut().retain(|_, task| !task.is_finished());
        if tasks.borrow().len() >= MOST {
            tracing::warn!(%peer, "turned away: there are {MOST} clients already");
            continue;
        }
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%peer, %error, "small messages may be delayed");
        }
        client += 1;
        let task = converse(client, stream, peer, inputs.clone(), wire.clone());
        let task = tokio::task::spawn_local(task);
        tasks.borrow_mut().insert(client, task);
    }
}

/// One client, from its coming to its going.
async fn converse(
    client: ClientId,
    stream: TcpStream,
    peer: SocketAddr,
    inputs: Sender<Input>,
    wire: Wire,
) {
    let name: Rc<str> = peer.to_string().into();
    let outlet = Outlet::default();
    let came = Input::Came {
        client,
        name: Rc::clone(&name),
        outlet: outlet.clone(),
    };
    if inputs.send(came).await.is_err() {
        return;
    }
    let (reader, writer) = stream.into_split();
    tokio::select! {
        () = read(client, reader, &name, &inputs, &wire) => {}
        () = write(writer, outlet, &name, &wire) => {}
    }
    // Nobody to tell: the server is at its end.
    drop(inputs.send(Input::Gone { client }).await);
}

async fn read(
    client: ClientId,
    mut reader: OwnedReadHalf,
    name: &str,
    inputs: &Sender<Input>,
    wire: &Wire,
) {
    loop {
        let mut bytes = BytesMut::with_capacity(READ);
        match reader.read_buf(&mut bytes).await {
            Ok(0) => return,
            Ok(_) => {}
            Err(error) => {
                tracing::debug!(%name, %error, "the client can't be read");
                return;
            }
        }
        wire.note(name, Way::Received, &bytes);
        if inputs.send(Input::Said { client, bytes }).await.is_err() {
            // The server is at its end; its last words are still being written.
            std::future::pending::<()>().await;
        }
    }
}

async fn write(mut writer: OwnedWriteHalf, outlet: Outlet, name: &str, wire: &Wire) {
    while let Some(bytes) = outlet.take().await {
        match timeout(STUCK, writer.write_all(&bytes)).await {
            Ok(Ok(())) => wire.note(name, Way::Sent, &bytes),
            Ok(Err(error)) => {
                tracing::debug!(%name, %error, "the client can't be written to");
                return;
            }
            Err(_) => {
                tracing::warn!(%name, "the client reads nothing; it is let go");
                return;
            }
        }
    }
}
