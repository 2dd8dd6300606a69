//! On a real socket: streams, slow and many clients, shutdown.

use super::rig::*;

/// A daemon on a real loopback socket.
async fn daemon(rig: &Rig) -> (SocketAddr, tokio::task::JoinHandle<()>) {
    let listening = listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let address = listening.address;
    (address, tokio::spawn(listening.serve(rig.app.clone())))
}

async fn read_until(socket: &mut TcpStream, wanted: &str) -> String {
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
    let mut socket = TcpStream::connect(address).await.unwrap();
    let ask = format!("GET /api/v1/stations/bench/stream HTTP/1.1\r\nhost: {address}\r\n\r\n");
    socket.write_all(ask.as_bytes()).await.unwrap();
    let head = read_until(&mut socket, "id: 1").await;
    assert!(head.contains("text/event-stream") && head.contains("event: snapshot"), "{head}");
    let mut next = snapshot(2);
    next.run.question = Some(Question::TurnPart { next: 2, faces: 2 });
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
        first_out: Some(1),
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
