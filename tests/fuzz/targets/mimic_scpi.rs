//! Bytes to the mimic's SCPI side, in pieces: whole printable lines come back, and never many for few.
#![no_main]

use libfuzzer_sys::fuzz_target;
use std::time::Duration;
use tankside::mimic::scpi::{Input, Instrument};
use tankside::mimic::{Bench, Rating, Setup};
use tankside::quantity::Mono;

fuzz_target!(|bytes: &[u8]| {
    let Some((&cut, bytes)) = bytes.split_first() else { return };
    let mut bench = Bench::new(Setup::default(), Mono::ZERO);
    let mut instrument = Instrument::new(&Rating::default(), "7");
    let mut input = Input::default();
    let mut now = Mono::ZERO;
    for piece in bytes.chunks(usize::from(cut).max(1)) {
        now = now + Duration::from_millis(5);
        let reply = instrument.take(&mut input, &mut bench, now, piece);
        assert!(reply.is_empty() || reply.ends_with(b"\n"));
        assert!(reply.iter().all(|b| matches!(b, b'\n' | b' '..=b'~')), "{}", reply.escape_ascii());
        let supply = bench.supply();
        assert!((0.0..=12.001).contains(&supply.volts_setpoint()), "{}", supply.volts_setpoint());
        assert!((0.0..=10.001).contains(&supply.amps_setpoint()), "{}", supply.amps_setpoint());
        assert!(!(supply.output() && supply.tripped()), "on while tripped");
    }
    // Whatever came, the next message is understood.
    input.clear();
    let reply = instrument.take(&mut input, &mut bench, now, b"*CLS;*IDN?\n");
    assert!(reply.starts_with(b"TANKSIDE,"), "{}", reply.escape_ascii());
});
