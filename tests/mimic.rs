//! The mimic over a real pty and over TCP, in real time: short.
#![cfg(feature = "daemon")]

use serde_json::Value;
use std::path::Path;
use std::time::Duration;
use tankside::mimic::{Options, Running, Setup, start};
use tankside::quantity::Volts;
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout};
use tokio_serial::{SerialPortBuilderExt, SerialStream};

/// Long enough for a loaded machine, short enough that a hang is noticed.
const PATIENCE: Duration = Duration::from_secs(10);

fn any() -> Option<std::net::SocketAddr> {
    Some(([127, 0, 0, 1], 0).into())
}

/// On TCP with a control port; no pty.
async fn on_tcp() -> (Running, Client<TcpStream>, Client<TcpStream>) {
    let options =
        Options { pty: false, tcp: any(), control: any(), reply_delay: Duration::ZERO, ..Options::default() };
    let mimic = start(options).await.unwrap();
    let line = Client::new(TcpStream::connect(mimic.tcp().unwrap()).await.unwrap());
    let control = Client::new(TcpStream::connect(mimic.control().unwrap()).await.unwrap());
    (mimic, line, control)
}

fn open(path: &Path) -> SerialStream {
    tokio_serial::new(path.to_str().unwrap(), 9600).open_native_async().unwrap()
}

struct Client<S>(BufReader<S>);

impl<S: AsyncRead + AsyncWrite + Unpin> Client<S> {
    fn new(stream: S) -> Self {
        Client(BufReader::new(stream))
    }
    async fn tell(&mut self, line: &str) {
        self.0.write_all(format!("{line}\n").as_bytes()).await.unwrap();
    }
    /// One line without its end, whatever bytes it has.
    async fn hear(&mut self) -> String {
        let mut line = Vec::new();
        timeout(PATIENCE, self.0.read_until(b'\n', &mut line)).await.expect("an answer").unwrap();
        assert_eq!(line.pop(), Some(b'\n'), "a whole line");
        String::from_utf8_lossy(&line).into_owned()
    }
    async fn ask(&mut self, line: &str) -> String {
        self.tell(line).await;
        self.hear().await
    }
    async fn state(&mut self) -> Value {
        serde_json::from_str(&self.ask("state?").await).unwrap()
    }
    /// Asks and gets nothing for a while.
    async fn ask_in_vain(&mut self, line: &str, wait: Duration) {
        self.tell(line).await;
        let mut byte = [0u8; 1];
        assert!(timeout(wait, self.0.read(&mut byte)).await.is_err(), "silence");
    }
}

#[tokio::test]
async fn a_part_is_plated_over_a_pty_and_the_truth_agrees_with_the_meters() {
    let mimic = start(Options { baud: Some(115_200), ..Options::default() }).await.unwrap();
    let mut line = Client::new(open(&mimic.pty().unwrap()));
    assert!(line.ask("*IDN?").await.starts_with("TANKSIDE,MIMIC-10-12,0001,"));
    assert_eq!(line.ask("VOLT:PROT 8;:VOLT 6;CURR 2;:OUTP ON;*OPC?").await, "1");
    // The output slews; wait for it to arrive, not for a time.
    timeout(PATIENCE, async { while line.ask("MEAS:CURR?").await.parse::<f64>().unwrap() < 1.99 {} })
        .await
        .unwrap();
    let volts: f64 = line.ask("MEAS:VOLT?").await.parse().unwrap();
    let truth = mimic.with_bench(|bench, _| bench.truth());
    assert!(truth.output);
    assert!((truth.volts - Volts::new(volts)).abs() < Volts::new(0.05), "{volts} {truth:?}");
    assert_eq!(line.ask("OUTP OFF;:OUTP?").await, "0");
    assert!(!mimic.with_bench(|bench, _| bench.truth().output));
    assert_eq!(line.ask("SYST:ERR?").await, "0,\"No error\"");
}

#[tokio::test]
async fn the_wire_is_neither_faster_nor_much_slower_than_ten_bits_a_byte() {
    let mimic = start(Options { reply_delay: Duration::ZERO, ..Options::default() }).await.unwrap();
    let mut line = Client::new(open(&mimic.pty().unwrap()));
    let mut best = f64::INFINITY;
    // The best of nine at most, for a machine that others use too.
    for _ in 0..9 {
        let begin = Instant::now();
        let mut bytes = 0;
        for _ in 0..30 {
            bytes += "MEAS:VOLT?\n".len() + line.ask("MEAS:VOLT?").await.len() + 1;
        }
        let wire = bytes as f64 * 10.0 / 9600.0;
        let ratio = begin.elapsed().as_secs_f64() / wire;
        assert!(ratio > 0.99, "faster than the wire: {ratio}");
        best = best.min(ratio);
        if best < 1.0 / 0.9 {
            break;
        }
    }
    println!("time over wire time, the best: {best:.4}");
    assert!(best < 1.0 / 0.9, "less than 90 % of the wire: {best}");
}

#[tokio::test]
async fn a_client_that_closes_does_not_end_the_line() {
    let mimic = start(Options { baud: None, ..Options::default() }).await.unwrap();
    let path = mimic.pty().unwrap();
    for _ in 0..3 {
        let mut line = Client::new(open(&path));
        assert_eq!(line.ask("VOLT 3;VOLT?").await, "3.000");
    }
    let _first = open(&path);
    let second = tokio_serial::new(path.to_str().unwrap(), 9600).open_native_async();
    assert!(second.is_err(), "two stations on one line");
}

#[tokio::test]
async fn unplugged_is_gone_and_replugged_is_back_behind_the_same_link() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("supply");
    let options = Options { link: Some(link.clone()), control: any(), baud: None, ..Options::default() };
    let mimic = start(options).await.unwrap();
    let mut control = Client::new(TcpStream::connect(mimic.control().unwrap()).await.unwrap());
    let mut line = Client::new(open(&link));
    assert_eq!(line.ask("VOLT 4;CURR 2;:OUTP ON;:OUTP?").await, "1");

    assert_eq!(control.ask("fault unplug").await, "ok");
    let mut byte = [0u8; 1];
    let end = timeout(PATIENCE, line.0.read(&mut byte)).await.expect("the line ends");
    assert!(matches!(end, Ok(0) | Err(_)), "{end:?}");
    timeout(PATIENCE, async {
        while mimic.pty().is_some() {
            tokio::task::yield_now().await
        }
    })
    .await
    .unwrap();
    assert!(!link.exists());
    let state = control.state().await;
    assert_eq!(
        (&state["link"], &state["output"]),
        (&"gone".into(), &true.into()),
        "pulling a plug switches nothing off"
    );

    drop(line);
    assert_eq!(control.ask("clear").await, "ok");
    timeout(PATIENCE, async {
        while mimic.pty().is_none() {
            tokio::task::yield_now().await
        }
    })
    .await
    .unwrap();
    let mut line = Client::new(open(&link));
    assert_eq!(line.ask("OUTP?").await, "1");
    drop(mimic);
    assert!(link.symlink_metadata().is_err(), "the link goes with the mimic");
}

#[tokio::test]
async fn each_fault_of_the_link_is_heard_on_the_line() {
    let (_mimic, mut line, mut control) = on_tcp().await;
    assert_eq!(line.ask("VOLT 4;VOLT?").await, "4.000");

    control.ask("fault garbled").await;
    let garbled = line.ask("VOLT?").await;
    assert_ne!(garbled, "4.000");
    control.ask("clear").await;

    control.ask("fault wrong-type").await;
    assert!(line.ask("VOLT?").await.parse::<f64>().is_err());
    control.ask("clear").await;

    control.ask("fault late-reply 300 ms").await;
    let begin = Instant::now();
    assert_eq!(line.ask("VOLT?").await, "4.000");
    assert!(begin.elapsed() >= Duration::from_millis(290), "{:?}", begin.elapsed());
    control.ask("clear").await;

    control.ask("fault link-drops").await;
    line.ask_in_vain("VOLT?", Duration::from_millis(200)).await;
    control.ask("clear").await;
    assert_eq!(line.ask("VOLT?").await, "4.000", "what was asked in vain is not answered later");

    control.ask("fault truncated").await;
    line.tell("VOLT?").await;
    let mut half = [0u8; 3];
    timeout(PATIENCE, line.0.read_exact(&mut half)).await.unwrap().unwrap();
    assert_eq!(&half, b"4.0");
    control.ask("clear").await;
    assert_eq!(line.ask("VOLT?").await, "4.000");

    control.ask("fault endless").await;
    line.tell("VOLT?").await;
    let mut much = [0u8; 4096];
    timeout(PATIENCE, line.0.read_exact(&mut much)).await.unwrap().unwrap();
    assert!(!much.contains(&b'\n'));
    control.ask("clear").await;

    // Its tail has no end of line; a fresh connection is clean.
    assert_eq!(control.ask("bytes 3F 3F 0A").await, "ok");
}

#[tokio::test]
async fn a_late_reply_comes_after_the_next_question_was_asked() {
    let (_mimic, mut line, mut control) = on_tcp().await;
    line.tell("VOLT 4;CURR 2").await;
    control.ask("fault late-reply 300 ms for 100 ms").await;
    line.ask_in_vain("VOLT?", Duration::from_millis(50)).await;
    assert_eq!(line.ask("CURR?").await, "4.000", "the trap that a station must see");
    assert_eq!(line.hear().await, "2.000");
}

#[tokio::test]
async fn half_messages_of_two_lines_do_not_mix() {
    let (mimic, mut one, _) = on_tcp().await;
    let mut two = Client::new(TcpStream::connect(mimic.tcp().unwrap()).await.unwrap());
    one.0.write_all(b"VOLT 5;VO").await.unwrap();
    assert_eq!(two.ask("VOLT 3;VOLT?").await, "3.000");
    one.0.write_all(b"LT?\n").await.unwrap();
    assert_eq!(one.hear().await, "5.000");
}

#[tokio::test]
async fn the_control_port_tells_the_truth_and_refuses_nonsense_with_a_remedy() {
    let (_mimic, mut line, mut control) = on_tcp().await;
    assert_eq!(line.ask("VOLT 4;CURR 10;:OUTP ON;:OUTP?").await, "1");
    timeout(PATIENCE, async { while control.state().await["amperes"].as_f64().unwrap() < 2.7 {} })
        .await
        .unwrap();
    assert_eq!(control.ask("lift").await, "ok");
    timeout(PATIENCE, async { while control.state().await["amperes"].as_f64().unwrap() > 0.0 {} })
        .await
        .unwrap();
    assert_eq!(control.ask("hang").await, "ok");
    assert_eq!(line.ask("OUTP 0;:OUTP?").await, "0");
    let state = control.state().await;
    assert_eq!(state["output"], false);
    assert!(state["charge_coulombs"].as_f64().unwrap() > 0.0);
    assert!(state["last_off"].as_f64() > state["last_on"].as_f64());
    for (line, has) in [
        ("dance", "write one of state?"),
        ("fault meltdown", "write one of open-circuit"),
        ("fault part-off", "30 %"),
        ("stir wildly", "still, rod, air or vigorous"),
        ("bytes XY", "pairs of hex digits"),
    ] {
        let answer = control.ask(line).await;
        assert!(answer.starts_with("error: ") && answer.contains(has), "{line}: {answer}");
    }
}

#[tokio::test]
async fn a_tcp_port_that_was_unplugged_is_refused_and_then_listens_again() {
    let (mimic, mut line, mut control) = on_tcp().await;
    assert_eq!(line.ask("*OPC?").await, "1");
    control.ask("fault unplug for 300 ms").await;
    let mut byte = [0u8; 1];
    let end = timeout(PATIENCE, line.0.read(&mut byte)).await.expect("the line ends");
    assert!(matches!(end, Ok(0) | Err(_)), "{end:?}");
    let address = mimic.tcp().unwrap();
    let again = timeout(PATIENCE, async {
        loop {
            if let Ok(stream) = TcpStream::connect(address).await {
                return stream;
            }
            tokio::task::yield_now().await;
        }
    });
    assert_eq!(Client::new(again.await.unwrap()).ask("*OPC?").await, "1");
}

#[tokio::test]
async fn the_truth_file_ends_with_the_output_off() {
    let folder = tempfile::tempdir().unwrap();
    let truth = folder.path().join("truth.jsonl");
    let options = Options {
        setup: Setup { seed: 9, ..Setup::default() },
        truth: Some(truth.clone()),
        pty: false,
        tcp: any(),
        ..Options::default()
    };
    let mimic = start(options).await.unwrap();
    let mut line = Client::new(TcpStream::connect(mimic.tcp().unwrap()).await.unwrap());
    let last = |want: bool| {
        let truth = truth.clone();
        async move {
            timeout(PATIENCE, async {
                loop {
                    #[expect(
                        clippy::disallowed_methods,
                        reason = "a test reads what a test outside would read"
                    )]
                    let text = std::fs::read_to_string(&truth).unwrap();
                    let line = text.lines().rev().find_map(|l| serde_json::from_str::<Value>(l).ok());
                    if line.is_some_and(|l| l["output"] == want) {
                        return;
                    }
                    tokio::task::yield_now().await;
                }
            })
            .await
            .unwrap();
        }
    };
    line.tell("VOLT 4;CURR 2;:OUTP ON").await;
    last(true).await;
    line.tell("OUTP OFF").await;
    last(false).await;
}

#[tokio::test]
async fn a_link_never_replaces_a_file_and_a_taken_port_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().to_path_buf();
    let error = start(Options { link: Some(link), ..Options::default() }).await.err().unwrap().to_string();
    assert!(error.contains("is not a link; choose another path"), "{error}");
    let taken = tokio::net::TcpListener::bind(any().unwrap()).await.unwrap();
    let options = Options { pty: false, tcp: Some(taken.local_addr().unwrap()), ..Options::default() };
    let error = start(options).await.err().unwrap().to_string();
    assert!(error.contains("cannot listen on 127.0.0.1") && error.contains("port 0"), "{error}");
}
