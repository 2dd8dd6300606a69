//! Plain lines against a supply of the example's kind that slips on cue, in virtual time.

use super::fake::spec as scpi_spec;
use super::*;
use crate::quantity::{Amps, Regulation, Volts};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::time::sleep;

#[derive(Default)]
struct Bench {
    volts: i64,
    amps: i64,
    ovp: i64,
    ocp: i64,
    on: bool,
    heard: Vec<String>,
    /// Delay of the next replies, and other words for them.
    slips: VecDeque<(Duration, Option<String>)>,
}

type Shared = Arc<Mutex<Bench>>;

impl Bench {
    fn answer(&mut self, line: &str) -> Option<String> {
        let words: Vec<&str> = line.strip_prefix("@1 ")?.split(' ').collect();
        let on = i32::from(self.on);
        let number = |text: &str| text.parse::<i64>().ok();
        match words[..] {
            ["ID"] => return Some("ID BENCH-12 0042".into()),
            ["MEAS"] => return Some(format!("V702 I2500 OUT{on} CC")),
            ["SET"] => return Some(format!("VS{} IS{}", self.volts, self.amps)),
            ["PROT"] => return Some(format!("OVP{},0 OCP{},0", self.ovp, self.ocp)),
            ["VSET", v] => self.volts = number(v)?,
            ["ISET", a] => self.amps = number(a)?,
            ["OVP", v] => self.ovp = number(v)?,
            ["OCP", a] => self.ocp = number(a)?,
            ["OUT", state] => self.on = state == "1",
            ["CLR"] => {}
            _ => return Some("ERR what".into()),
        }
        Some("OK".into())
    }
}

fn serve(bench: &Shared) -> DuplexStream {
    let (ours, theirs) = duplex(4096);
    let bench = bench.clone();
    tokio::spawn(async move {
        let (mut read, mut write) = tokio::io::split(theirs);
        let mut buffer = Vec::new();
        let mut byte = [0];
        while read.read_exact(&mut byte).await.is_ok() {
            if byte != *b"\r" {
                buffer.push(byte[0]);
                continue;
            }
            let line = String::from_utf8(std::mem::take(&mut buffer)).unwrap();
            let (reply, slip) = {
                let mut b = bench.lock().unwrap();
                if line.is_empty() {
                    continue;
                }
                b.heard.push(line.clone());
                let reply = b.answer(&line);
                (reply, b.slips.pop_front())
            };
            let Some(mut reply) = reply else { continue };
            if let Some((late, other)) = slip {
                sleep(late).await;
                reply = other.unwrap_or(reply);
            }
            if write.write_all(format!("{reply}\r").as_bytes()).await.is_err() {
                return;
            }
        }
    });
    ours
}

fn example() -> Arc<Dialect> {
    Arc::new(dialect::shipped().into_iter().find(|d| d.name == "line-example").unwrap())
}

fn spec() -> Spec {
    Spec { dialect: "line-example".into(), ..scpi_spec(Some("BENCH-12")) }
}

async fn connected(bench: &Shared) -> Device {
    let mut device = Device::new(spec(), example(), Clock::new());
    device.connect_over(serve(bench)).await.unwrap();
    device
}

fn slip(bench: &Shared, late: u64, other: Option<&str>) {
    bench.lock().unwrap().slips.push_back((Duration::from_millis(late), other.map(Into::into)));
}

#[tokio::test(start_paused = true)]
async fn a_normal_run_of_calls_reaches_the_supply() {
    let bench = Shared::default();
    let mut device = connected(&bench).await;
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
    device.output_on().await.unwrap();
    device.set(Amps::new(2.5), Volts::new(7.3)).await.unwrap();
    let reading = device.read().await.unwrap();
    assert_eq!((reading.volts.get(), reading.amps.get()), (7.02, 2.5));
    assert_eq!((reading.output, reading.regulation), (Some(true), Some(Regulation::ConstantCurrent)));
    assert_eq!(reading.set_amps.map(Amps::get), Some(2.5));
    {
        let b = bench.lock().unwrap();
        assert_eq!((b.volts, b.amps, b.ovp, b.ocp, b.on), (730, 2500, 900, 6000, true));
    }
    device.off().await.unwrap();
    assert!(!bench.lock().unwrap().on);
    assert!(device.errors().is_empty(), "{:?}", device.errors());
}

#[tokio::test(start_paused = true)]
async fn a_late_line_is_never_taken_for_the_answer_to_another() {
    for late in [501, 700, 999, 1000, 1200, 2500] {
        let bench = Shared::default();
        let mut device = connected(&bench).await;
        device.read().await.unwrap();
        slip(&bench, late, None);
        let mut good = 0;
        for _ in 0..8 {
            match device.read().await {
                Ok(reading) => {
                    good += 1;
                    assert_eq!((reading.volts.get(), reading.amps.get()), (7.02, 2.5), "{late} ms");
                }
                Err(trouble) => assert!(trouble.is_doubtful(), "{late} ms: {trouble}"),
            }
        }
        assert!(good >= 4, "{late} ms: {good}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_refusal_is_told_in_the_supplys_own_words_and_the_line_stays_good() {
    let bench = Shared::default();
    let mut device = connected(&bench).await;
    slip(&bench, 0, Some("ERR panel locked"));
    let trouble = device.set(Amps::new(1.0), Volts::new(5.0)).await.unwrap_err();
    assert_eq!(trouble.kind(), "refused");
    assert!(trouble.to_string().contains("panel locked"), "{trouble}");
    bench.lock().unwrap().heard.clear();
    device.set(Amps::new(1.0), Volts::new(5.0)).await.unwrap();
    assert_eq!(bench.lock().unwrap().heard, ["@1 ISET 1000", "@1 VSET 500"]);
}

#[tokio::test(start_paused = true)]
async fn a_reply_that_does_not_fit_its_pattern_is_no_reading() {
    for other in [
        "V702 I2500 OUT1",
        "V702 I2500 OUT1 CC more",
        "VS1 IS2",
        "OK",
        "V7x I2 OUT1 CC",
        "V702 I2500 OUT2 CC",
    ] {
        let bench = Shared::default();
        let mut device = connected(&bench).await;
        device.read().await.unwrap();
        slip(&bench, 0, Some(other));
        assert!(device.read().await.unwrap_err().is_doubtful(), "{other}");
        bench.lock().unwrap().heard.clear();
        device.read().await.unwrap();
        assert_eq!(bench.lock().unwrap().heard[0], "@1 ID", "{other}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_supply_that_echoes_its_input_is_found_out() {
    let bench = Shared::default();
    slip(&bench, 0, Some("@1 ID"));
    slip(&bench, 0, Some("@1 ID"));
    slip(&bench, 0, Some("@1 ID"));
    let mut device = Device::new(spec(), example(), Clock::new());
    assert_eq!(device.connect_over(serve(&bench)).await.unwrap_err().kind(), "echo");
}

#[tokio::test(start_paused = true)]
async fn off_goes_out_although_something_lies_on_the_line() {
    let bench = Shared::default();
    let mut device = connected(&bench).await;
    device.output_on().await.unwrap();
    slip(&bench, 600, None);
    device.read().await.unwrap_err();
    sleep(Duration::from_millis(300)).await;
    bench.lock().unwrap().heard.clear();
    device.off().await.unwrap();
    assert_eq!(bench.lock().unwrap().heard[0], "@1 OUT 0");
    assert!(!bench.lock().unwrap().on);
}
