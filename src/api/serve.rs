//! Answers on a socket, within limits: on heads, on time, and on how many connections there are at once.
//!
//! Where there are too many, the oldest that has nothing to answer goes. Whoever comes with a question gets through
//! even while somebody else holds connections open by the thousand.

use std::{
    pin::pin,
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering},
    },
    time::Duration,
};

use axum::{Router, body::Body};
use hyper::{body::Incoming, server::conn::http1, service::service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::{
    io::AsyncWriteExt,
    net::{TcpListener, TcpStream},
    sync::watch,
    task::{AbortHandle, JoinSet},
};
use tower::ServiceExt;

/// Connections at once.
const CONNECTIONS: usize = 256;
/// How long the head of a request may take, and how long a connection may stay without one.
const HEAD: Duration = Duration::from_secs(10);
/// Bytes of a head at most.
const HEAD_BYTES: usize = 32 * 1024;
/// Lines of a head at most.
const HEAD_LINES: usize = 64;
/// How long answers under way may take once the daemon stops.
const STOPPING: Duration = Duration::from_secs(2);

const BUSY: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\ncontent-type: application/problem+json\r\n\
    content-length: 121\r\nconnection: close\r\n\r\n\
    {\"type\":\"urn:packdrift:busy\",\"title\":\"Not now\",\"status\":503,\
    \"detail\":\"too many questions at once; ask again in a moment\"}";

/// A connection, and how many questions on it are being answered.
struct Open {
    task: AbortHandle,
    answering: Arc<AtomicUsize>,
}

/// Serves until `stop` turns true, then lets answers under way end.
pub async fn serve(listener: TcpListener, router: Router, mut stop: watch::Receiver<bool>) {
    let mut tasks = JoinSet::new();
    // Oldest first.
    let mut open: Vec<Open> = Vec::new();
    let told = stop.clone();
    let mut stopping = pin!(async { drop(stop.wait_for(|stop| *stop).await) });
    loop {
        tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok((stream, _)) => {
                    if open.len() >= CONNECTIONS && !make_room(&mut open) {
                        refuse(stream).await;
                        continue;
                    }
                    let answering = Arc::new(AtomicUsize::new(0));
                    let task = tasks.spawn(connection(stream, router.clone(), answering.clone(), told.clone()));
                    open.push(Open { task, answering });
                }
                Err(error) => {
                    tracing::warn!(error = &error as &dyn std::error::Error, "a connection can't be accepted");
                    tokio::time::sleep(Duration::from_millis(100)).await;
                }
            },
            Some(ended) = tasks.join_next_with_id() => {
                let id = ended.map_or_else(|error| error.id(), |(id, ())| id);
                open.retain(|open| open.task.id() != id);
            }
            () = &mut stopping => break,
        }
    }
    drop(listener);
    let ending = async { while tasks.join_next().await.is_some() {} };
    if tokio::time::timeout(STOPPING, ending).await.is_err() {
        tracing::warn!("stopped before every question was answered");
    }
    tasks.shutdown().await;
}

/// Ends the oldest connection that nothing is being answered on.
fn make_room(open: &mut Vec<Open>) -> bool {
    let idle = open
        .iter()
        .position(|open| open.answering.load(Ordering::Relaxed) == 0);
    idle.is_some_and(|index| {
        open.remove(index).task.abort();
        true
    })
}

async fn refuse(mut stream: TcpStream) {
    // It may be gone by now.
    let _ = tokio::time::timeout(Duration::from_millis(100), stream.write_all(BUSY)).await;
}

async fn connection(
    stream: TcpStream,
    router: Router,
    answering: Arc<AtomicUsize>,
    mut stop: watch::Receiver<bool>,
) {
    let service = service_fn(move |request: hyper::Request<Incoming>| {
        let answering = Answering::begin(answering.clone());
        let router = router.clone();
        async move {
            let response = router.oneshot(request.map(Body::new)).await;
            drop(answering);
            response
        }
    });
    let mut limits = http1::Builder::new();
    limits
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD)
        .max_headers(HEAD_LINES)
        .max_buf_size(HEAD_BYTES);
    let mut serving = pin!(limits.serve_connection(TokioIo::new(stream), service));
    let ended = tokio::select! {
        ended = serving.as_mut() => ended,
        () = async { drop(stop.wait_for(|stop| *stop).await) } => {
            serving.as_mut().graceful_shutdown();
            serving.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(
            error = &error as &dyn std::error::Error,
            "a connection ended badly"
        );
    }
}

/// Counts a question for as long as it is being answered, also where that is given up.
struct Answering(Arc<AtomicUsize>);

impl Answering {
    fn begin(count: Arc<AtomicUsize>) -> Self {
        count.fetch_add(1, Ordering::Relaxed);
        Self(count)
    }
}

impl Drop for Answering {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_refusal_is_as_long_as_it_says() {
        let text = std::str::from_utf8(BUSY).unwrap();
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        assert!(
            head.contains(&format!("content-length: {}\r\n", body.len())),
            "{}",
            body.len()
        );
        let problem: serde_json::Value = serde_json::from_str(body).unwrap();
        assert_eq!(problem["status"], 503);
    }
}
