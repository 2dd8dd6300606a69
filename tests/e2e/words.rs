//! A supply whose 32-bit numbers come with their words exchanged in the middle of a run: over a real socket, from the bytes
//! to the output, the alarm and what is said. The supply is a few lines of Modbus TCP (*MODBUS Messaging on TCP/IP
//! Implementation Guide V1.0b*), none of them ours.

use crate::hall::{Daemon, Hall, PART, Plan, tank};
use serde_json::json;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use tankside::ledger::{CommissioningRow, Ledger};

/// The map of `modbus-example.toml`, but for the current setpoint in registers 22 and 23, in counts of 0.1 mA.
#[derive(Default)]
struct Supply {
    registers: [u16; 32],
    exchanged: bool,
}

impl Supply {
    fn word(&self, register: u16) -> Option<u16> {
        let is = |r: usize| self.registers[r];
        let (on, tenths) = (is(0) == 1, u32::from(is(2)) * 10);
        let (high, low) = ((tenths >> 16) as u16, tenths as u16);
        Some(match register {
            // Two ohms.
            16 => {
                if on {
                    is(2) / 5
                } else {
                    0
                }
            }
            17 => {
                if on {
                    is(2)
                } else {
                    0
                }
            }
            18 => is(0),
            19 => is(0),
            20 => 0,
            21 => is(1),
            22 => {
                if self.exchanged {
                    low
                } else {
                    high
                }
            }
            23 => {
                if self.exchanged {
                    high
                } else {
                    low
                }
            }
            32..=35 => 0x4245 + register,
            0..=5 => is(register.into()),
            _ => return None,
        })
    }

    fn answer(&mut self, pdu: &[u8]) -> Vec<u8> {
        let word = |at: usize| u16::from_be_bytes([pdu[at], pdu[at + 1]]);
        match pdu[0] {
            3 => {
                let words: Option<Vec<_>> = (word(1)..word(1) + word(3)).map(|r| self.word(r)).collect();
                let Some(words) = words else { return vec![0x83, 2] };
                let bytes = words.iter().flat_map(|w| w.to_be_bytes());
                [3, (words.len() * 2) as u8].into_iter().chain(bytes).collect()
            }
            6 => {
                self.registers[usize::from(word(1))] = word(3);
                pdu.to_vec()
            }
            other => vec![other | 0x80, 1],
        }
    }
}

fn serve(mut stream: TcpStream, supply: &Mutex<Supply>) -> std::io::Result<()> {
    loop {
        let mut head = [0; 7];
        stream.read_exact(&mut head)?;
        let mut pdu = vec![0; usize::from(u16::from_be_bytes([head[4], head[5]])) - 1];
        stream.read_exact(&mut pdu)?;
        let answer = supply.lock().unwrap().answer(&pdu);
        head[4..6].copy_from_slice(&(answer.len() as u16 + 1).to_be_bytes());
        stream.write_all(&[&head[..], &answer].concat())?;
    }
}

#[test]
fn numbers_gone_wild_in_a_run_are_taken_for_exchanged_words_and_cut_the_output() {
    let supply = Arc::new(Mutex::new(Supply::default()));
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let served = supply.clone();
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let supply = served.clone();
            std::thread::spawn(move || serve(stream, &supply));
        }
    });
    let hall = Hall::without_mimics(Plan::default());
    let dialects = hall.folder.path().join("dialects");
    std::fs::create_dir(&dialects).unwrap();
    let shipped = include_str!("../../config/dialects/modbus-example.toml");
    let (bare, _) = shipped.split_once("\n[modbus.known]\n").unwrap();
    let (old, new) = (
        "set-amps = { register = 22, scale = \"1 mA\" }",
        "set-amps = { register = 22, scale = \"0.1 mA\", type = \"u32\" }",
    );
    assert!(bare.contains(old));
    let mine = bare.replace(old, new).replace("float = \"ABCD\"", "long = \"ABCD\"");
    std::fs::write(dialects.join("mine.toml"), mine).unwrap();
    let text = std::fs::read_to_string(&hall.config).unwrap();
    let serial =
        format!("port = \"{}\"\nbaud = 115200\nidentity = \"TANKSIDE,MIMIC\"", hall.port("bench").display());
    assert!(text.contains(&serial), "{text}");
    let text = text.replace("dialect = \"scpi\"", "dialect = \"mine\"");
    std::fs::write(&hall.config, text.replace(&serial, &format!("port = \"tcp:127.0.0.1:{port}\""))).unwrap();
    std::fs::create_dir_all(hall.ledger().parent().unwrap()).unwrap();
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let (ledger, _) = Ledger::open(&hall.ledger()).unwrap();
        let row = CommissioningRow {
            station: "bench".into(),
            at: String::new(),
            by: "mila".into(),
            identity: "x".into(),
            dialect: "mine (long = \"ABCD\")".into(),
            passed: true,
            off_milliseconds: 40,
            result_json: json!({"points": [{"set_amps": 0.5, "amps": 0.5, "volts": 1.0}]}).to_string(),
        };
        ledger.commissioned(row).await.unwrap();
        ledger.close().await.unwrap();
    });
    let daemon = Daemon::start(hall.serve(), &hall.config);
    daemon.until("up", |s| s["link"]["up"] == true && s["output_on"] == false);
    let bench = tank("bench");
    let said = daemon
        .verb(&[
            "start",
            "--tank",
            &bench,
            "--part",
            PART,
            "--charge",
            "9 A.min",
            "--current",
            "3 A",
            "--ramp",
            "1 s",
        ])
        .good();
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    let note = "not proven: dialect mine is simulated; it was tried up to 0.5 A, and may be asked for 10 A";
    assert!(said.contains(note), "{said}");
    daemon.until_steady();
    assert_eq!(supply.lock().unwrap().registers[0], 1);
    supply.lock().unwrap().exchanged = true;
    let over = daemon.until("cut", |s| s["run"]["state"] == "aborted" && s["output_on"] == false);
    assert_eq!(supply.lock().unwrap().registers[0], 0, "off at the supply itself");
    let cause = over["run"]["cause"].as_str().unwrap();
    assert!(
        cause.contains("order of words (long = \"ABCD\")") && cause.contains("[modbus.known]"),
        "{cause}"
    );
    // Whatever was raised on the way, nobody is sent to a supply that is known to be off; and 0 went over what was wild.
    let said = over["alarms"].to_string();
    assert!(!said.contains("go to the supply"), "{said}");
    daemon.until("back", |s| s["link"]["up"] == true && s["output_on"] == false);
    assert_eq!(supply.lock().unwrap().registers[..3], [0, 0, 0]);
}
