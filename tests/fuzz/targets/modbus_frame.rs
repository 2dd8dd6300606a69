//! Bytes to the mimic's Modbus side, serial and TCP, in pieces; and as a bare request.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tankside::mimic::modbus::{Broken, LONGEST_PDU, Registers, RtuInput, TcpInput, WordOrder, crc, rtu};
use tankside::mimic::{Bench, Setup};
use tankside::quantity::Mono;

fuzz_target!(|bytes: &[u8]| {
    let Some((&cut, bytes)) = bytes.split_first() else { return };
    let mut bench = Bench::new(Setup::default(), Mono::ZERO);
    let registers = Registers::new("7", WordOrder::Cdab);
    let mut answer = |request: &[u8]| {
        let reply = registers.answer(&mut bench, Mono::ZERO, request);
        assert_eq!(reply.is_empty(), request.is_empty());
        assert!(reply.len() <= LONGEST_PDU);
        if let (Some(asked), Some(said)) = (request.first(), reply.first()) {
            assert!(said == asked || (*said == asked | 0x80 && reply.len() == 2), "{request:?} {reply:?}");
        }
        let frame = rtu(1, &reply);
        assert_eq!(crc(&frame), 0);
    };
    answer(bytes);

    let (mut line, mut socket) = (RtuInput::default(), TcpInput::default());
    'connection: for piece in bytes.chunks(usize::from(cut).max(1)) {
        line.push(piece);
        if line.is_whole() {
            let (_, request) = line.silence().expect("whole, so sound");
            answer(&request);
        }
        socket.push(piece);
        loop {
            match socket.take() {
                Ok(Some(request)) => answer(&request.pdu),
                Ok(None) => break,
                Err(Broken) => break 'connection,
            }
        }
    }
    if let Some((_, request)) = line.silence() {
        answer(&request);
    }
});
