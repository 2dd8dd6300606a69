//! Both ends of the supply's link against programs that we did not write:
//! PyVISA and pymodbus as clients of the mimic, sinstruments and pymodbus as
//! servers of our driver.
//!
//! The Python beside this file is ours and small; what frames, parses and times
//! is theirs. `tests/run` installs the packages; without them these tests fail.
#![cfg(feature = "daemon")]

#[path = "tools/mod.rs"]
mod tools;

use std::fs::File;
use std::net::SocketAddr;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::Arc;
use std::time::Duration;
use tankside::mimic::modbus::WordOrder;
use tankside::mimic::{self, Options, Protocol, Running};
use tankside::quantity::{Amps, Regulation, Volts};
use tankside::supply::dialect;
use tankside::supply::{Clock, Device, Dialect, Parity, Port, Spec, Wiring};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, Lines};
use tokio::process::{Child, ChildStdin, ChildStdout, Command};
use tokio::time::timeout;
use tokio_serial::{SerialPort, SerialStream};

/// Long enough for a loaded machine, short enough that a hang is noticed.
const PATIENCE: Duration = Duration::from_secs(60);
const ORDERS: [(&str, WordOrder); 4] = [
    ("abcd", WordOrder::Abcd),
    ("cdab", WordOrder::Cdab),
    ("badc", WordOrder::Badc),
    ("dcba", WordOrder::Dcba),
];

fn program(name: &str, arguments: &[&str]) -> Command {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers");
    let mut command = Command::from(tools::python_with_peers());
    command.arg("-B").arg(folder.join(name)).args(arguments);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).kill_on_drop(true);
    command
}

/// Runs a client to its end, which must be `ok` and how much it has checked.
async fn client(name: &str, arguments: &[&str]) {
    let run = program(name, arguments).output();
    let output = timeout(PATIENCE, run).await.expect("the client ends").expect("`tests/run` installs Python");
    let said =
        format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(
        !said.contains("ModuleNotFoundError"),
        "packages are missing; `tests/run` installs them:\n{said}"
    );
    assert!(output.status.success(), "{name} {arguments:?}:\n{said}");
    assert!(said.starts_with("ok "), "{name} {arguments:?}:\n{said}");
}

/// A server in Python. Dropping it ends it.
struct Server {
    _child: Child,
    input: ChildStdin,
    lines: Lines<BufReader<ChildStdout>>,
    /// What it said before `ready`.
    facts: Vec<String>,
}

impl Server {
    async fn start(name: &str, arguments: &[&str]) -> Server {
        let mut child = program(name, arguments).spawn().expect("`tests/run` installs Python");
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut facts = Vec::new();
        let begin = async {
            while let Some(line) = lines.next_line().await.unwrap() {
                if line == "ready" {
                    return true;
                }
                facts.push(line);
            }
            false
        };
        if !timeout(PATIENCE, begin).await.expect("the server starts") {
            let output = child.wait_with_output().await.unwrap();
            let said = String::from_utf8_lossy(&output.stderr);
            panic!("{name} {arguments:?} did not start; `tests/run` installs its packages:\n{said}");
        }
        let mut errors = child.stderr.take().unwrap();
        // Nobody reads what it grumbles; a full pipe would stop it.
        tokio::spawn(async move { tokio::io::copy(&mut errors, &mut tokio::io::sink()).await });
        Server { input: child.stdin.take().unwrap(), _child: child, lines, facts }
    }

    fn port(&self) -> String {
        let port = self.facts.iter().find_map(|f| f.strip_prefix("tcp ")).expect("a port");
        format!("127.0.0.1:{port}")
    }

    /// Changes how it behaves; returns when it has.
    async fn tell(&mut self, command: &str) {
        self.input.write_all(format!("{command}\n").as_bytes()).await.unwrap();
        let answer = timeout(PATIENCE, self.lines.next_line()).await.expect("an answer").unwrap();
        assert_eq!(answer.as_deref(), Some("done"), "{command}");
    }
}

fn any() -> Option<SocketAddr> {
    Some(([127, 0, 0, 1], 0).into())
}

async fn mimic_on(protocol: Protocol, serial: &str, baud: Option<u32>) -> Running {
    let serial = serial.to_owned();
    mimic::start(Options { protocol, serial, baud, tcp: any(), ..Options::default() }).await.unwrap()
}

fn spec(port: Port, dialect: &str, baud: u32) -> Spec {
    let dialect = dialect.to_owned();
    Spec {
        dialect,
        port,
        baud,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: Wiring::default(),
    }
}

fn shipped(name: &str) -> Arc<Dialect> {
    Arc::new(dialect::shipped().into_iter().find(|d| d.name == name).expect("a shipped dialect"))
}

// The mimic, driven by clients of others.

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pyvisa_drives_the_mimic_over_a_pty_and_over_tcp() {
    let mimic = mimic_on(Protocol::Scpi, "0042", Some(115_200)).await;
    let pty = mimic.pty().unwrap();
    client("pyvisa_client.py", &[&format!("ASRL{}::INSTR", pty.display())]).await;
    let address = mimic.tcp().unwrap();
    client("pyvisa_client.py", &[&format!("TCPIP::{}::{}::SOCKET", address.ip(), address.port())]).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pymodbus_reads_and_writes_the_mimic_as_rtu_on_a_pty() {
    for (baud, (name, order)) in [9600, 115_200, 19_200, 38_400].into_iter().zip(ORDERS) {
        let mimic = mimic_on(Protocol::Modbus(order), "70000", Some(baud)).await;
        let pty = mimic.pty().unwrap();
        client("pymodbus_client.py", &["rtu", pty.to_str().unwrap(), &baud.to_string(), name]).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pymodbus_reads_and_writes_the_mimic_over_modbus_tcp() {
    for (name, order) in ORDERS {
        let mimic = mimic_on(Protocol::Modbus(order), "70000", None).await;
        let address = mimic.tcp().unwrap();
        let (host, port) = (address.ip().to_string(), address.port().to_string());
        client("pymodbus_client.py", &["tcp", &host, &port, name]).await;
    }
}

// Our driver, against servers of others.

/// With time-outs that a server in Python keeps on a machine with ten times too much to do. What a lost or late
/// answer does is other tests' matter; here each is a fault.
fn patient(dialect: Arc<Dialect>) -> Arc<Dialect> {
    let mut dialect = Arc::unwrap_or_clone(dialect);
    dialect.timing.reply_timeout = Duration::from_secs(10);
    dialect.timing.gap_timeout = Duration::from_secs(2);
    Arc::new(dialect)
}

/// Connect, prepare, set, on, read, off: what a station does, on a supply with 3 ohms on its terminals.
async fn plates_on(mut device: Device, identity: &str) -> Device {
    let who = device.connect().await.unwrap();
    assert!(who.text.contains(identity), "{who:?}");
    device.prepare(Volts::new(8.0), Amps::new(3.0), Volts::new(6.0)).await.unwrap();
    let reading = device.read().await.unwrap();
    assert_eq!(reading.output, Some(false));
    assert_eq!((reading.set_volts, reading.set_amps), (Some(Volts::new(6.0)), Some(Amps::ZERO)));
    device.output_on().await.unwrap();
    // Its current holds: 1.25 A through 3 ohms are 3.75 V.
    assert!(device.set(Amps::new(1.25), Volts::new(6.0)).await.unwrap());
    let mut reading = device.read().await.unwrap();
    for _ in 0..20 {
        reading = device.read().await.unwrap();
        assert_eq!(reading.output, Some(true));
        assert!((reading.amps.get() - 1.25).abs() < 1e-3, "{reading:?}");
        assert!((reading.volts.get() - 3.75).abs() < 1e-2, "{reading:?}");
    }
    assert_eq!(reading.set_amps, Some(Amps::new(1.25)));
    assert_eq!(reading.regulation, Some(Regulation::ConstantCurrent));
    // Its voltage holds: 6 V through 3 ohms are 2 A, of 2.5 A that it may.
    device.set(Amps::new(2.5), Volts::new(6.0)).await.unwrap();
    for _ in 0..8 {
        reading = device.read().await.unwrap();
    }
    assert!((reading.amps.get() - 2.0).abs() < 1e-3, "{reading:?}");
    assert_eq!(reading.regulation, Some(Regulation::ConstantVoltage));
    device.off().await.unwrap();
    let reading = device.read().await.unwrap();
    assert_eq!((reading.output, reading.amps), (Some(false), Amps::ZERO));
    assert!(device.errors().is_empty(), "{:?}", device.errors());
    device
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn our_driver_works_a_supply_that_sinstruments_serves_over_tcp_and_over_a_pty() {
    let folder = tempfile::tempdir().unwrap();
    for baud in ["", "9600"] {
        let link = folder.path().join(format!("supply{baud}"));
        let arguments = [link.to_str().unwrap(), baud];
        let server =
            Server::start("sinstruments_server.py", &arguments[..1 + usize::from(!baud.is_empty())]).await;
        for port in [Port::Tcp(server.port()), Port::Serial(link.clone())] {
            let device = Device::new(spec(port, "scpi", 9600), patient(shipped("scpi")), Clock::new());
            plates_on(device, "RESISTOR SUPPLY").await.close();
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_supply_of_another_name_is_refused_over_a_link_that_is_not_ours() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("supply");
    let server = Server::start("sinstruments_server.py", &[link.to_str().unwrap()]).await;
    let mut wanted = spec(Port::Tcp(server.port()), "scpi", 9600);
    wanted.identity = Some("RESISTOR SUPPLY,0816".into());
    let mut device = Device::new(wanted, shipped("scpi"), Clock::new());
    let trouble = device.connect().await.unwrap_err();
    assert_eq!(trouble.kind(), "wrong-identity", "{trouble}");
    assert!(!device.is_connected());
}

/// Two ptys, joined as by a null-modem cable. Each end is opened by its path.
struct Cable {
    ends: [PathBuf; 2],
    /// Held open, so that a far end that closes does not end the line.
    _held: [File; 2],
    join: tokio::task::JoinHandle<()>,
}

impl Cable {
    fn new() -> Cable {
        let ((mut here, near, held_near), (mut there, far, held_far)) = (pty(), pty());
        let join = tokio::spawn(async move {
            let _ = tokio::io::copy_bidirectional(&mut here, &mut there).await;
        });
        Cable { ends: [near, far], _held: [held_near, held_far], join }
    }
}

impl Drop for Cable {
    fn drop(&mut self) {
        self.join.abort();
    }
}

/// One end, and the path of the other, which a plain handle holds open: one of that library would lock it.
///
/// There must be no moment at which nobody has the other end open. The kernel reports that as a hang-up, which
/// tokio takes to be final: every later look at this end is "ready", finds nothing (EAGAIN) and looks again without
/// ever giving way, so that `copy_bidirectional` serves one direction and lets the other lie. Seen with strace:
/// 79,000 such looks in 3 s, and the question or the answer that was lost had never been read from the pty.
fn pty() -> (SerialStream, PathBuf, File) {
    let (master, mut slave) = SerialStream::pair().expect("a pty");
    let path = PathBuf::from(slave.name().expect("a pty has a name"));
    slave.set_exclusive(false).expect("its own terminal");
    let mut options = File::options();
    let held = options.read(true).write(true).custom_flags(libc::O_NOCTTY).open(&path).expect("a fresh pty");
    drop(slave);
    (master, path, held)
}

/// The tests below blame the driver for every lost answer, so the cable must lose none: see `pty`.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_cable_of_these_tests_rests_when_nothing_is_sent() {
    let cables: Vec<Cable> = (0..40).map(|_| Cable::new()).collect();
    let metrics = tokio::runtime::Handle::current().metrics();
    let busy = || (0..2).map(|worker| metrics.worker_total_busy_duration(worker)).sum::<Duration>();
    let (before, idle) = (busy(), Duration::from_millis(500));
    tokio::time::sleep(idle).await;
    let worked = busy() - before;
    assert!(worked < idle / 4, "{} idle cables kept the runtime at work for {worked:?}", cables.len());
}

/// The shipped example, and the same supply with its numbers as float32 in that order.
fn example(order: &str) -> Arc<Dialect> {
    let text = dialect::SHIPPED.iter().find(|(name, _)| *name == "modbus-example").expect("shipped").1;
    Arc::new(
        dialect::parse(
            &text.replace("\"ABCD\"", &format!("\"{}\"", order.to_ascii_uppercase())),
            "example.toml",
        )
        .unwrap(),
    )
}

/// The float registers of `pymodbus_server.py`, written down as a newcomer would from a manual.
fn float_map(order: &str) -> Arc<Dialect> {
    let order = order.to_ascii_uppercase();
    let text = format!(
        r#"
about = "A supply with float registers"
maturity = "untried"
[modbus]
unit = 1
float = "{order}"
setpoints = "volatile"
power-up = "off"
[modbus.timing]
reply-timeout = "500 ms"
gap-timeout = "100 ms"
min-gap = "5 ms"
[modbus.range]
volts-most = "200 V"
amps-most = "1000 A"
volts-step = "1 mV"
amps-step = "1 mA"
[modbus.identity]
table = "holding"
register = 32
count = 4
[modbus.read]
table = "holding"
volts = {{ register = 80, scale = "1 V", type = "f32" }}
amps = {{ register = 82, scale = "1 A", type = "f32" }}
set-volts = {{ register = 84, scale = "1 V", type = "f32" }}
set-amps = {{ register = 86, scale = "1 A", type = "f32" }}
output = {{ register = 88, on = 1, off = 0 }}
regulation = {{ register = 89, constant-current = 1, constant-voltage = 2 }}
[modbus.write]
output = {{ register = 0, on = 1, off = 0 }}
set-volts = {{ register = 64, scale = "1 V", type = "f32" }}
set-amps = {{ register = 66, scale = "1 A", type = "f32" }}
[modbus.known]
table = "holding"
register = 48
type = "f32"
value = 123456.0
"#
    );
    Arc::new(dialect::parse(&text, "floats.toml").unwrap_or_else(|problems| panic!("{problems:#?}")))
}

async fn modbus_tcp(order: &str) -> (Server, Port) {
    let server = Server::start("pymodbus_server.py", &["tcp", "127.0.0.1", "0", order]).await;
    let port = Port::Tcp(server.port());
    (server, port)
}

async fn modbus_rtu(order: &str, cable: &Cable) -> (Server, Port) {
    let [near, far] = &cable.ends;
    let server = Server::start("pymodbus_server.py", &["rtu", far.to_str().unwrap(), "19200", order]).await;
    (server, Port::Serial(near.clone()))
}

fn over_modbus(port: Port, dialect: Arc<Dialect>) -> Device {
    Device::new(spec(port, &dialect.name.clone(), 19_200), dialect, Clock::new())
}

/// The serial number 815 in registers 34 and 35.
const SERIAL: &str = "544b 4d31 0000 032f";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn our_driver_works_a_modbus_supply_of_others_over_tcp_in_all_four_word_orders() {
    for (order, _) in ORDERS {
        let (_server, port) = modbus_tcp(order).await;
        plates_on(over_modbus(port.clone(), patient(example(order))), SERIAL).await.close();
        plates_on(over_modbus(port, patient(float_map(order))), SERIAL).await.close();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn our_driver_works_a_modbus_supply_of_others_as_rtu_in_all_four_word_orders() {
    for (order, _) in ORDERS {
        let cable = Cable::new();
        let (_server, port) = modbus_rtu(order, &cable).await;
        plates_on(over_modbus(port.clone(), patient(example(order))), SERIAL).await.close();
        plates_on(over_modbus(port, patient(float_map(order))), SERIAL).await.close();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_wrong_word_order_is_found_out_before_anything_is_switched_on() {
    for (order, _) in ORDERS {
        let (_server, port) = modbus_tcp(order).await;
        for (written, _) in ORDERS.into_iter().filter(|(other, _)| *other != order) {
            let trouble = over_modbus(port.clone(), float_map(written)).connect().await.unwrap_err();
            let shown = trouble.to_string();
            assert!(shown.contains(&order.to_ascii_uppercase()), "{written} instead of {order}: {shown}");
        }
    }
}

/// Application Protocol V1.1b3, section 7, each code as pymodbus frames it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn exceptions_of_others_are_said_in_words_and_leave_the_line_sound() {
    let cable = Cable::new();
    for rtu in [false, true] {
        let (mut server, port) =
            if rtu { modbus_rtu("abcd", &cable).await } else { modbus_tcp("abcd").await };
        let mut device = over_modbus(port, example("abcd"));
        device.connect().await.unwrap();
        for (code, kind, word) in [
            (1, "refused", "function code"),
            (2, "refused", "no such register"),
            (3, "refused", "length or value"),
            (4, "refused", "failed while doing it"),
            (6, "device-busy", "busy"),
            (11, "refused", "no answer from this unit"),
        ] {
            server.tell(&format!("exception {code}")).await;
            let trouble = device.read().await.unwrap_err();
            assert_eq!(trouble.kind(), kind, "{code}: {trouble}");
            assert!(trouble.to_string().contains(word), "{code}: {trouble}");
            server.tell("fine").await;
            let reading = device.read().await.unwrap();
            assert_eq!(reading.output, Some(false), "{code}");
        }
    }
}

/// Every late answer is to a supply whose load has changed since, so that a stale one shows.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_slow_supply_of_others_never_has_an_old_answer_taken_for_a_new_one() {
    let cable = Cable::new();
    for rtu in [false, true] {
        let (mut server, port) =
            if rtu { modbus_rtu("cdab", &cable).await } else { modbus_tcp("cdab").await };
        let mut device = over_modbus(port, float_map("cdab"));
        device.connect().await.unwrap();
        device.prepare(Volts::new(8.0), Amps::new(3.0), Volts::new(6.0)).await.unwrap();
        device.output_on().await.unwrap();
        device.set(Amps::new(1.0), Volts::new(6.0)).await.unwrap();
        for round in 1..=6 {
            // Longer than the time-out of 500 ms; the answer is on its way when the next question is due.
            server.tell("slow 0.7").await;
            let trouble = device.read().await.unwrap_err();
            assert!(trouble.is_doubtful(), "{trouble}");
            server.tell("fine").await;
            let ohms = f64::from(round) * 0.5;
            server.tell(&format!("load {ohms}")).await;
            let mut read = device.read().await;
            for _ in 0..3 {
                if read.is_ok() {
                    break;
                }
                read = device.read().await;
            }
            let reading = read.unwrap();
            assert!((reading.volts.get() - ohms).abs() < 1e-3, "{ohms} ohms: {reading:?}");
            assert!((reading.amps.get() - 1.0).abs() < 1e-3, "{ohms} ohms: {reading:?}");
        }
        device.off().await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_answer_from_another_address_is_not_taken() {
    let cable = Cable::new();
    for rtu in [false, true] {
        let (mut server, port) =
            if rtu { modbus_rtu("abcd", &cable).await } else { modbus_tcp("abcd").await };
        let mut device = over_modbus(port, example("abcd"));
        device.connect().await.unwrap();
        server.tell("wrong-address").await;
        for _ in 0..3 {
            let trouble = device.read().await.unwrap_err();
            assert!(trouble.is_doubtful(), "{trouble}");
        }
        assert!(device.off().await.is_err(), "off is confirmed by nobody else");
        server.tell("fine").await;
        device.off().await.unwrap();
        assert_eq!(device.read().await.unwrap().output, Some(false));
    }
}
