//! Answers on a socket, within limits: on heads, on time, and on how many connections there are at once.
//!
//! Where there are too many, the oldest that has nothing to answer goes. Whoever comes with a question gets through
//! even while somebody else holds connections open by the thousand.

use std::{
    pin::{Pin, pin},
    sync::{Arc, Mutex, PoisonError},
    task::{Context, Poll, ready},
    time::{Duration, Instant},
};

use axum::{Router, body::Body};
use bytes::Bytes;
use hyper::{
    body::{Frame, Incoming, SizeHint},
    server::conn::http1,
    service::service_fn,
};
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
/// How long an answer may be under way before its connection may have to go like one without: whoever doesn't read on
/// would otherwise hold it for ever.
const ANSWER: Duration = Duration::from_secs(60);
/// Bytes of an answer that are handed to the connection at a time.
const PIECE_BYTES: usize = 64 * 1024;
/// How long answers under way may take once the daemon stops.
const STOPPING: Duration = Duration::from_secs(2);

const BUSY: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\ncontent-type: application/problem+json\r\n\
    content-length: 121\r\nconnection: close\r\n\r\n\
    {\"type\":\"urn:packdrift:busy\",\"title\":\"Not now\",\"status\":503,\
    \"detail\":\"too many questions at once; ask again in a moment\"}";

/// A connection, and since when a question on it is being answered.
struct Open {
    task: AbortHandle,
    answering: Since,
}

type Since = Arc<Mutex<Option<Instant>>>;

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
                    let answering = Since::default();
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
    let idle = open.iter().position(|open| {
        let since = *open.answering.lock().unwrap_or_else(PoisonError::into_inner);
        since.is_none_or(|since| since.elapsed() > ANSWER)
    });
    idle.is_some_and(|index| {
        open.remove(index).task.abort();
        true
    })
}

async fn refuse(mut stream: TcpStream) {
    // It may be gone by now.
    let _ = tokio::time::timeout(Duration::from_millis(100), stream.write_all(BUSY)).await;
}

async fn connection(stream: TcpStream, router: Router, answering: Since, mut stop: watch::Receiver<bool>) {
    let service = service_fn(move |request: hyper::Request<Incoming>| {
        let answering = Answering::begin(answering.clone());
        let router = router.clone();
        async move {
            let response = router.oneshot(request.map(Body::new)).await;
            response.map(|response| {
                response.map(|body| Sending {
                    body,
                    rest: Bytes::new(),
                    _answering: answering,
                })
            })
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

/// Tells that a question is being answered, until it has been or that was given up.
struct Answering(Since);

impl Answering {
    fn begin(since: Since) -> Self {
        *since.lock().unwrap_or_else(PoisonError::into_inner) = Some(Instant::now());
        Self(since)
    }
}

impl Drop for Answering {
    fn drop(&mut self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }
}

/// The body of an answer, in pieces: a connection lets go of a body as soon as it has taken all of it, sent or not.
struct Sending {
    body: Body,
    /// What of it has come and is not handed on yet.
    rest: Bytes,
    _answering: Answering,
}

impl hyper::body::Body for Sending {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        if self.rest.is_empty() {
            match ready!(Pin::new(&mut self.body).poll_frame(context)) {
                Some(Ok(frame)) => match frame.into_data() {
                    Ok(data) => self.rest = data,
                    Err(other) => return Poll::Ready(Some(Ok(other))),
                },
                ended => return Poll::Ready(ended),
            }
        }
        let bytes = self.rest.len().min(PIECE_BYTES);
        Poll::Ready(Some(Ok(Frame::data(self.rest.split_to(bytes)))))
    }

    fn is_end_stream(&self) -> bool {
        self.rest.is_empty() && self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        let rest = self.rest.len() as u64;
        let behind = self.body.size_hint();
        let mut hint = SizeHint::new();
        hint.set_lower(behind.lower() + rest);
        if let Some(upper) = behind.upper() {
            hint.set_upper(upper + rest);
        }
        hint
    }
}

#[cfg(test)]
mod tests {
    use axum::routing::get;
    use tokio::io::AsyncReadExt;

    use super::*;

    #[tokio::test]
    async fn a_large_answer_is_read_to_its_end_however_many_connect_meanwhile() {
        // More than a socket takes at once.
        const BYTES: usize = 50_000_000;
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let router = Router::new().route("/", get(|| async { vec![b'x'; BYTES] }));
        let (_stop, stopping) = watch::channel(false);
        let serving = tokio::spawn(serve(listener, router, stopping));
        let mut reader = TcpStream::connect(address).await.unwrap();
        let question = b"GET / HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n";
        reader.write_all(question).await.unwrap();
        let mut answer = vec![0; 1000];
        reader.read_exact(&mut answer).await.unwrap();
        let mut others = Vec::new();
        for _ in 0..CONNECTIONS + 10 {
            others.push(TcpStream::connect(address).await.unwrap());
        }
        // The first of them has gone for the last.
        assert_eq!(others[0].read(&mut [0]).await.unwrap(), 0);
        reader.read_to_end(&mut answer).await.unwrap();
        let head = answer.windows(4).position(|end| end == b"\r\n\r\n").unwrap();
        assert_eq!(answer.len(), head + 4 + BYTES);
        serving.abort();
    }

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
