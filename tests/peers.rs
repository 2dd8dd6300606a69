//! Both ends of the supply's link against programs that we did not write:
//! PyVISA and pymodbus as clients of the mimic, sinstruments and pymodbus as
//! servers of our driver.
//!
//! The Python beside this file is ours and small; what frames, parses and times
//! is theirs. `tests/run` installs the packages; without them these tests fail.
#![cfg(feature = "daemon")]

#[path = "tools/mod.rs"]
mod tools;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::Arc;
use std::time::Duration;
use tankside::mimic::modbus::WordOrder;
use tankside::mimic::{self, Options, Protocol, Running};
use tankside::quantity::{Amps, Regulation, Volts};
use tankside::supply::dialect;
use tankside::supply::{Clock, Device, Dialect, Parity, Port, Spec};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, Lines};
use tokio::process::{Child, ChildStdin, ChildStdout, Command};
use tokio::time::timeout;

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
    Spec { dialect, port, baud, parity: Parity::None, two_stop_bits: false, identity: None }
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
            let device = Device::new(spec(port, "scpi", 9600), shipped("scpi"), Clock::new());
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
