//! On a real socket: streams, slow and many clients, shutdown.

use super::rig::*;

/// A daemon on a real loopback socket.
pub async fn daemon(rig: &Rig) -> (SocketAddr, tokio::task::JoinHandle<()>) {
    let listening = listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let address = listening.address;
    (address, tokio::spawn(listening.serve(rig.app.clone())))
}

/// A connection on which that was asked; the headers end each with a line's end.
pub async fn asking(address: SocketAddr, path: &str, headers: &str) -> TcpStream {
    let mut socket = TcpStream::connect(address).await.unwrap();
    let ask = format!("GET {path} HTTP/1.1\r\nhost: {address}\r\n{headers}\r\n");
    socket.write_all(ask.as_bytes()).await.unwrap();
    socket
}

pub async fn read_until(socket: &mut TcpStream, wanted: &str) -> String {
    let mut all = Vec::new();
    while !String::from_utf8_lossy(&all).contains(wanted) {
        let mut chunk = [0; 4096];
        let got =
            tokio::time::timeout(Duration::from_secs(5), socket.read(&mut chunk)).await.unwrap().unwrap();
        assert_ne!(got, 0, "ended before {wanted:?}: {}", String::from_utf8_lossy(&all));
        all.extend_from_slice(&chunk[..got]);
    }
    String::from_utf8(all).unwrap()
}

#[tokio::test]
async fn stream_brings_each_snapshot_and_ends_on_shutdown() {
    let rig = rig();
    let (address, served) = daemon(&rig).await;
    let mut socket = asking(address, "/api/v1/stations/bench/stream", "").await;
    let head = read_until(&mut socket, "id: 1").await;
    assert!(head.contains("text/event-stream") && head.contains("event: snapshot"), "{head}");
    let mut next = snapshot(2);
    next.run.question = Some(Question::TurnPart { next: 2, faces: 2, count: false });
    next.alarms.push(AlarmView {
        watch: "over-voltage".into(),
        state: AlarmState::Unacknowledged,
        priority: Priority::High,
        text: "6.2 V".into(),
        response: Response::Cut,
        cause: "",
        consequence: "",
        remedy: "Look for a loose clip.".into(),
        respond_within_minutes: 1,
        unseen: "",
        since: "2026-01-02T03:04:05Z".into(),
        gone: None,
        gone_unseen: false,
        first_out: Some(1),
        latched: false,
        earlier: false,
        chattering: false,
        shelved_until: None,
    });
    rig.publish.send_replace(Arc::new(next));
    let event = read_until(&mut socket, "id: 2").await;
    assert!(event.contains("turn-part") && event.contains("over-voltage"), "{event}");

    rig.shutdown.cancel();
    tokio::time::timeout(Duration::from_secs(2), served)
        .await
        .expect("shutdown waits for no stream")
        .unwrap();
    let mut rest = Vec::new();
    tokio::time::timeout(Duration::from_secs(2), socket.read_to_end(&mut rest)).await.unwrap().unwrap();
    assert!(rest.ends_with(b"0\r\n\r\n"), "the stream ends whole");
}

#[tokio::test]
async fn slow_client_is_cut_and_disturbs_nobody() {
    let rig = rig();
    let (address, _served) = daemon(&rig).await;
    let mut slow = Vec::new();
    for _ in 0..50 {
        let mut socket = TcpStream::connect(address).await.unwrap();
        socket.write_all(b"GET / HTTP/1.1\r\nho").await.unwrap();
        slow.push(socket);
    }
    let mut body = TcpStream::connect(address).await.unwrap();
    let head = format!(
        "POST /api/v1/stations/bench/stop HTTP/1.1\r\nhost: {address}\r\ncontent-type: application/json\r\ncontent-length: 14\r\n\r\n{{"
    );
    body.write_all(head.as_bytes()).await.unwrap();

    let mut quick = TcpStream::connect(address).await.unwrap();
    quick.write_all(format!("GET /healthz HTTP/1.1\r\nhost: {address}\r\n\r\n").as_bytes()).await.unwrap();
    read_until(&mut quick, "\"ok\":true").await;

    let mut answer = Vec::new();
    tokio::time::timeout(Duration::from_secs(12), body.read_to_end(&mut answer)).await.unwrap().unwrap();
    assert!(
        String::from_utf8_lossy(&answer).starts_with("HTTP/1.1 408"),
        "{}",
        String::from_utf8_lossy(&answer)
    );
    for mut socket in slow {
        let mut rest = Vec::new();
        tokio::time::timeout(Duration::from_secs(12), socket.read_to_end(&mut rest)).await.unwrap().ok();
    }
    assert!(rig.seen.lock().unwrap().is_empty());
}

#[tokio::test]
async fn second_daemon_on_the_address_is_told_so() {
    let first = listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let second = listen(first.address).await.err().expect("taken");
    assert!(second.contains("is taken") && second.contains("daemon.listen"), "{second}");
}

/// Sends it and reads to the end.
pub async fn exchange(address: SocketAddr, head: &str) -> String {
    let mut socket = TcpStream::connect(address).await.unwrap();
    socket.write_all(head.as_bytes()).await.unwrap();
    let mut answer = Vec::new();
    tokio::time::timeout(Duration::from_secs(15), socket.read_to_end(&mut answer)).await.unwrap().unwrap();
    String::from_utf8_lossy(&answer).into_owned()
}

#[tokio::test]
async fn ten_thousand_connections_are_told_to_come_back_and_leave_the_daemon_whole() {
    let rig = rig();
    // Now whoever shows none may do nothing.
    rig.token("tablet", Scope::Watch);
    let (address, _served) = daemon(&rig).await;
    let ask = format!("GET /api/v1/stations HTTP/1.1\r\nhost: {address}\r\n\r\n");
    let mut held = Vec::new();
    let mut refused = 0;
    while refused < 10_000 {
        let mut socket = TcpStream::connect(address).await.unwrap();
        socket.write_all(ask.as_bytes()).await.unwrap();
        let answer = read_until(&mut socket, "}").await;
        if answer.starts_with("HTTP/1.1 401") {
            // A seat was free: the first ones, and those of the ones that said nothing for ten seconds.
            held.push(socket);
            for _ in 0..256 {
                held.push(TcpStream::connect(address).await.unwrap());
            }
            assert!(
                held.len() < 8_000,
                "after {refused}: no seat was ever refused, or all were given up at once"
            );
            continue;
        }
        assert!(answer.starts_with("HTTP/1.1 503 Service Unavailable\r\n"), "{answer}");
        assert!(answer.contains("retry-after: 5\r\n") && answer.contains("\"too-many\""), "{answer}");
        refused += 1;
    }
    drop(held);
    let ask = format!("GET /api/v1/stations HTTP/1.1\r\nhost: {address}\r\nconnection: close\r\n\r\n");
    for _ in 0..600 {
        let answer = exchange(address, &ask).await;
        if answer.starts_with("HTTP/1.1 401") {
            return;
        }
        assert!(answer.starts_with("HTTP/1.1 503"), "{answer}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("the seats of those that went away were never given back");
}

#[tokio::test]
async fn hundred_megabytes_are_refused_before_they_are_read() {
    let rig = rig();
    let (address, _served) = daemon(&rig).await;
    for length in ["content-length: 104857600", "transfer-encoding: chunked"] {
        let socket = TcpStream::connect(address).await.unwrap();
        let (mut from, mut to) = socket.into_split();
        let head = format!(
            "POST /api/v1/stations/bench/stop HTTP/1.1\r\nhost: {address}\r\ncontent-type: application/json\r\n{length}\r\n\r\n"
        );
        let sender = tokio::spawn(async move {
            to.write_all(head.as_bytes()).await.unwrap();
            let chunk = format!("10000\r\n{}\r\n", " ".repeat(0x10000));
            let mut sent = 0;
            // Until nobody takes it any more.
            while sent < 100 << 20 && to.write_all(chunk.as_bytes()).await.is_ok() {
                sent += chunk.len();
            }
            sent
        });
        let mut answer = vec![0; 4096];
        let got =
            tokio::time::timeout(Duration::from_secs(10), from.read(&mut answer)).await.unwrap().unwrap();
        let answer = String::from_utf8_lossy(&answer[..got]).into_owned();
        assert!(answer.starts_with("HTTP/1.1 413") && answer.contains("\"too-large\""), "{length}: {answer}");
        drop(from);
        let sent = tokio::time::timeout(Duration::from_secs(10), sender).await.unwrap().unwrap();
        assert!(sent < 32 << 20, "{length}: {sent} bytes were taken");
    }
    assert!(rig.seen.lock().unwrap().is_empty());
}

#[tokio::test]
async fn address_and_headers_that_are_too_long_are_told_so() {
    let rig = rig();
    let (address, _served) = daemon(&rig).await;
    let long = "x".repeat(3000);
    let answer =
        exchange(address, &format!("GET /{long} HTTP/1.1\r\nhost: {address}\r\nconnection: close\r\n\r\n"))
            .await;
    assert!(answer.starts_with("HTTP/1.1 414") && answer.contains("\"too-long\""), "{answer}");
    let many = "x-more: 1\r\n".repeat(200);
    let large = format!("x-large: {}\r\n", "x".repeat(300_000));
    for more in [many, large] {
        let answer = exchange(
            address,
            &format!("GET / HTTP/1.1\r\nhost: {address}\r\nconnection: close\r\n{more}\r\n"),
        )
        .await;
        assert!(answer.starts_with("HTTP/1.1 431"), "{answer}");
    }
}

#[tokio::test]
async fn stream_too_many_is_told_so_and_one_that_was_closed_makes_room() {
    let rig = rig();
    let (address, _served) = daemon(&rig).await;
    let ask = format!("GET /api/v1/stations/bench/stream HTTP/1.1\r\nhost: {address}\r\n\r\n");
    let mut open = Vec::new();
    for _ in 0..128 {
        let mut socket = TcpStream::connect(address).await.unwrap();
        socket.write_all(ask.as_bytes()).await.unwrap();
        read_until(&mut socket, "event: snapshot").await;
        open.push(socket);
    }
    let mut one_more = TcpStream::connect(address).await.unwrap();
    one_more.write_all(ask.as_bytes()).await.unwrap();
    let told = read_until(&mut one_more, "\"too-many\"").await;
    assert!(told.starts_with("HTTP/1.1 503") && told.contains("retry-after: 5"), "{told}");
    open.clear();
    for _ in 0..100 {
        let mut socket = TcpStream::connect(address).await.unwrap();
        socket.write_all(ask.as_bytes()).await.unwrap();
        if read_until(&mut socket, "\r\n\r\n").await.starts_with("HTTP/1.1 200") {
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("a closed stream never made room");
}

#[tokio::test]
async fn stream_that_nobody_reads_any_more_is_given_up_and_makes_room() {
    let rig = rig();
    let (address, _served) = daemon(&rig).await;
    let publish = rig.publish.clone();
    let busy = tokio::spawn(async move {
        let mut ten_a_second = tokio::time::interval(Duration::from_millis(100));
        for seq in 2.. {
            ten_a_second.tick().await;
            let log = vec!["x".repeat(100_000)];
            publish.send_replace(Arc::new(Snapshot { log, ..snapshot(seq) }));
        }
    });
    let ask = |path: &str| format!("GET /api/v1/{path} HTTP/1.1\r\nhost: {address}\r\n\r\n");
    // It stays connected, never reads, and says nothing: as if the cable had been pulled.
    let gone = tokio::net::TcpSocket::new_v4().unwrap();
    gone.set_recv_buffer_size(4096).unwrap();
    let mut gone = gone.connect(address).await.unwrap();
    gone.write_all(ask("stations/bench/stream").as_bytes()).await.unwrap();
    gone.readable().await.unwrap();
    // Every other place is taken by streams that have nothing to say.
    let mut quiet = Vec::new();
    for _ in 1..128 {
        let mut socket = TcpStream::connect(address).await.unwrap();
        socket.write_all(ask("events").as_bytes()).await.unwrap();
        assert!(read_until(&mut socket, "\r\n\r\n").await.starts_with("HTTP/1.1 200"));
        quiet.push(socket);
    }
    let began = tokio::time::Instant::now();
    let mut full = false;
    while began.elapsed() < Duration::from_secs(90) {
        let mut one_more = TcpStream::connect(address).await.unwrap();
        one_more.write_all(ask("events").as_bytes()).await.unwrap();
        let told = read_until(&mut one_more, "\r\n\r\n").await;
        full |= told.starts_with("HTTP/1.1 503");
        if full && told.starts_with("HTTP/1.1 200") {
            busy.abort();
            return;
        }
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    panic!("full: {full}; who reads nothing keeps a place for good, with {} others", quiet.len());
}

fn event(text: &str) -> EventRow {
    EventRow {
        at: "2026-01-02T03:04:05.000Z".into(),
        monotonic_milliseconds: 0,
        station: "bench".into(),
        run: None,
        kind: "note".into(),
        text: text.into(),
    }
}

#[tokio::test]
async fn reader_of_events_that_comes_back_misses_none_and_gets_none_twice() {
    let rig = rig();
    let (address, _served) = daemon(&rig).await;
    rig.shelf.events.lock().unwrap().extend([event("long ago")]);
    let ask = |last: &str| format!("GET /api/v1/events HTTP/1.1\r\nhost: {address}\r\n{last}\r\n");
    let mut socket = TcpStream::connect(address).await.unwrap();
    socket.write_all(ask("").as_bytes()).await.unwrap();
    read_until(&mut socket, "id: e1.a0").await;
    rig.shelf.events.lock().unwrap().push(event("first"));
    let seen = read_until(&mut socket, "id: e2.a0").await;
    assert!(seen.contains("first") && !seen.contains("long ago"), "{seen}");
    drop(socket);
    rig.shelf.events.lock().unwrap().extend([event("second"), event("third")]);
    let mut socket = TcpStream::connect(address).await.unwrap();
    socket.write_all(ask("last-event-id: e2.a0\r\n").as_bytes()).await.unwrap();
    let seen = read_until(&mut socket, "id: e4.a0").await;
    let wanted = seen.find("second").unwrap() < seen.find("third").unwrap();
    assert!(wanted && !seen.contains("first") && !seen.contains("long ago"), "{seen}");
    // An id of another ledger, as after the state folder was changed: nothing would come for years.
    let mut socket = TcpStream::connect(address).await.unwrap();
    socket.write_all(ask("last-event-id: e900.a7\r\n").as_bytes()).await.unwrap();
    read_until(&mut socket, "id: e4.a0").await;
    rig.shelf.events.lock().unwrap().push(event("fourth"));
    let seen = read_until(&mut socket, "id: e5.a0").await;
    assert!(seen.contains("fourth") && !seen.contains("third"), "{seen}");
    let bad = exchange(address, &ask("last-event-id: x\r\nconnection: close\r\n")).await;
    assert!(bad.starts_with("HTTP/1.1 400") && bad.contains("bad-query"), "{bad}");
}

#[tokio::test]
async fn reader_that_has_the_last_snapshot_waits_for_the_next() {
    let rig = rig();
    let (address, _served) = daemon(&rig).await;
    let mut socket = TcpStream::connect(address).await.unwrap();
    let ask =
        format!("GET /api/v1/stations/bench/stream HTTP/1.1\r\nhost: {address}\r\nlast-event-id: 1\r\n\r\n");
    socket.write_all(ask.as_bytes()).await.unwrap();
    read_until(&mut socket, "\r\n\r\n").await;
    rig.publish.send_replace(Arc::new(snapshot(2)));
    let seen = read_until(&mut socket, "id: ").await;
    assert!(seen.contains("id: 2"), "{seen}");
}

/// A certificate for localhost, its key, and who trusts it.
fn certificate(folder: &Path) -> (tankside::config::Tls, tokio_rustls::TlsConnector) {
    use tokio_rustls::rustls;
    let made = rcgen::generate_simple_self_signed(["localhost".to_owned()]).unwrap();
    let tls = tankside::config::Tls { certificate: folder.join("chain.pem"), key: folder.join("key.pem") };
    write(&tls.certificate, &made.cert.pem());
    write(&tls.key, &made.signing_key.serialize_pem());
    let mut roots = rustls::RootCertStore::empty();
    roots.add(made.cert.der().clone()).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let client = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    (tls, tokio_rustls::TlsConnector::from(Arc::new(client)))
}

#[tokio::test]
async fn tls_is_spoken_with_the_configs_certificate_and_this_machine_may_go_on_in_plain() {
    let rig = rig();
    let token = rig.token("tablet", Scope::Watch);
    let (tls, connector) = certificate(rig.folder.path());
    let listening = listen("127.0.0.1:0".parse().unwrap()).await.unwrap().with_tls(Some(&tls)).unwrap();
    let address = listening.address;
    tokio::spawn(listening.serve(rig.app.clone()));
    let socket = TcpStream::connect(address).await.unwrap();
    let mut secure = connector.connect("localhost".try_into().unwrap(), socket).await.unwrap();
    let body = json!({ "token": token }).to_string();
    let ask = format!(
        "POST /api/v1/session HTTP/1.1\r\nhost: localhost:{}\r\norigin: https://localhost:{0}\r\ncontent-type: application/json\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{body}",
        address.port(),
        body.len()
    );
    secure.write_all(ask.as_bytes()).await.unwrap();
    let mut answer = Vec::new();
    secure.read_to_end(&mut answer).await.unwrap();
    let answer = String::from_utf8(answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 200") && answer.contains("; Secure"), "{answer}");
    let plain =
        exchange(address, &format!("GET /healthz HTTP/1.1\r\nhost: {address}\r\nconnection: close\r\n\r\n"))
            .await;
    assert!(plain.starts_with("HTTP/1.1 200"), "{plain}");
}

#[tokio::test]
async fn certificate_that_is_none_and_key_of_another_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let (one, two) = (folder.path().join("1"), folder.path().join("2"));
    for path in [&one, &two] {
        std::fs::create_dir_all(path).unwrap();
    }
    let ((mut tls, _), (other, _)) = (certificate(&one), certificate(&two));
    let refused = async |tls: &tankside::config::Tls| {
        let listening = listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
        listening.with_tls(Some(tls)).err().expect("refused").to_string()
    };
    tls.key = other.key.clone();
    let said = refused(&tls).await;
    assert!(said.contains("daemon.tls: ") && said.contains("2/key.pem: does not go with"), "{said}");
    write(&tls.certificate, "hello");
    let said = refused(&tls).await;
    assert!(said.contains("1/chain.pem: there is no certificate in it"), "{said}");
    tls.certificate = folder.path().join("none.pem");
    assert!(refused(&tls).await.contains("none.pem"));
}

#[derive(Clone, Default)]
struct Heard(Arc<Mutex<Vec<u8>>>);

impl std::io::Write for Heard {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

#[tokio::test]
async fn no_token_cookie_or_word_ends_in_the_log_however_loud_it_is() {
    let heard = Heard::default();
    let writer = heard.clone();
    let subscriber = tracing_subscriber::fmt()
        .with_env_filter("trace")
        .with_writer(move || writer.clone())
        .with_ansi(false)
        .finish();
    // This test's thread is the only one of its runtime.
    let _guard = tracing::subscriber::set_default(subscriber);
    let rig = rig();
    let token = rig.token("tablet", Scope::Operate);
    let (address, _served) = daemon(&rig).await;
    let post = async |path: &str, headers: &str, body: Value| {
        let body = body.to_string();
        let ask = format!(
            "POST {path} HTTP/1.1\r\nhost: {address}\r\ncontent-type: application/json\r\n{headers}content-length: {}\r\nconnection: close\r\n\r\n{body}",
            body.len()
        );
        exchange(address, &ask).await
    };
    let answer = post("/api/v1/session", "", json!({ "token": token })).await;
    let cookie = answer.split("set-cookie: ").nth(1).unwrap().split(';').next().unwrap().to_owned();
    let csrf = answer.split("\"csrf\":\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let off = "/api/v1/stations/bench/off";
    let by = json!({"by": "mila"});
    let with_cookie = format!("cookie: {cookie}\r\nx-tankside: {csrf}\r\n");
    assert!(post(off, &with_cookie, by.clone()).await.starts_with("HTTP/1.1 200"));
    assert!(
        post(off, &format!("authorization: Bearer {token}\r\n"), by.clone())
            .await
            .starts_with("HTTP/1.1 200")
    );
    // Another last digit: one token in sixteen ends in 0.
    let last = if token.ends_with('0') { '1' } else { '0' };
    let wrong = format!("{}{last}", &token[..token.len() - 1]);
    post(off, &format!("authorization: Bearer {wrong}\r\n"), by).await;
    post("/api/v1/session", "", json!({ "token": wrong })).await;
    let log = String::from_utf8(heard.0.lock().unwrap().clone()).unwrap();
    assert!(log.contains("a wrong token was shown"), "the log is heard: {log}");
    let secret = cookie.split('=').nth(1).unwrap();
    for (what, secret) in [("token", token.as_str()), ("guess", &wrong), ("cookie", secret), ("word", &csrf)]
    {
        assert!(!log.contains(secret), "the {what} is in the log");
    }
    let audit = format!("{:?}", rig.shelf.audited.lock().unwrap());
    for secret in [token.as_str(), &wrong, secret, &csrf] {
        assert!(!audit.contains(secret), "{audit}");
    }
}

#[tokio::test]
async fn stream_of_all_stations_says_something_each_second_and_ends_with_the_daemon() {
    let rig = rig();
    let (address, served) = daemon(&rig).await;
    let mut socket = TcpStream::connect(address).await.unwrap();
    let ask = format!("GET /api/v1/stream HTTP/1.1\r\nhost: {address}\r\n\r\n");
    socket.write_all(ask.as_bytes()).await.unwrap();
    let head = read_until(&mut socket, "\"seq\":1,").await;
    assert!(head.contains("text/event-stream") && head.contains("event: stations"), "{head}");
    assert!(!head.contains("content-encoding"), "a stream that is compressed is held back: {head}");
    // Nothing new is published; it speaks all the same.
    read_until(&mut socket, "\"seq\":1,").await;
    rig.publish.send_replace(Arc::new(snapshot(2)));
    read_until(&mut socket, "\"seq\":2,").await;
    rig.shutdown.cancel();
    tokio::time::timeout(Duration::from_secs(2), served)
        .await
        .expect("the stream holds the daemon up")
        .unwrap();
}
