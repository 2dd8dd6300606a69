//! Frames against the published examples, registers against the bench.

use super::*;
use crate::mimic::{Fault, Setup};
use proptest::prelude::*;
use std::time::Duration;

fn bench() -> Bench {
    Bench::new(Setup::default(), Mono::ZERO)
}

fn registers() -> Registers {
    Registers::new("70000", WordOrder::Abcd)
}

/// One read; the words, or the exception's code.
fn read(bench: &mut Bench, now: Mono, first: u16, count: u16) -> Result<Vec<u16>, u8> {
    let [a, b] = first.to_be_bytes();
    let [c, d] = count.to_be_bytes();
    let reply = registers().answer(bench, now, &[3, a, b, c, d]);
    match *reply {
        [0x83, code] => Err(code),
        [3, bytes, ref words @ ..] => {
            assert_eq!(usize::from(bytes), words.len());
            Ok(words.chunks_exact(2).map(|w| u16::from_be_bytes([w[0], w[1]])).collect())
        }
        ref other => panic!("{other:02x?}"),
    }
}

fn write(bench: &mut Bench, now: Mono, register: u16, word: u16) {
    let [a, b] = register.to_be_bytes();
    let [c, d] = word.to_be_bytes();
    assert_eq!(registers().answer(bench, now, &[6, a, b, c, d]), [6, a, b, c, d]);
}

/// MODBUS over Serial Line Specification and Implementation Guide V1.02: the
/// worked example of appendix B (frame 02 07) and the placing of the value
/// 1241 hex in section 2.5.1.2 (both from memory). Catalogue of parametrised
/// CRC algorithms, CRC-16/MODBUS: check value 4B37 for "123456789". The last
/// three by hand with the appendix's procedure, from requests in the
/// Application Protocol V1.1b3, sections 6.3, 6.6 and 6.12.
#[test]
fn checksum_is_that_of_the_published_examples_low_byte_first() {
    assert_eq!(crc(&[0x02, 0x07]), 0x1241);
    assert_eq!(rtu(0x02, &[0x07]), [0x02, 0x07, 0x41, 0x12]);
    assert_eq!(crc(b"123456789"), 0x4b37);
    assert_eq!(crc(&[]), 0xffff);
    assert_eq!(rtu(0x11, &[0x03, 0x00, 0x6b, 0x00, 0x03]), [0x11, 0x03, 0x00, 0x6b, 0x00, 0x03, 0x76, 0x87]);
    for frame in [rtu(1, &[6, 0, 1, 0, 3]), rtu(1, &[16, 0, 1, 0, 2, 4, 0, 10, 1, 2])] {
        assert_eq!(crc(&frame), 0, "a frame with its own checksum leaves nothing over");
    }
}

/// MODBUS over Serial Line V1.02, section 2.5.1.1: 11 bits a character; fixed
/// 750 µs and 1.750 ms above 19,200 baud.
#[test]
fn silences_are_those_of_the_serial_line_specification() {
    assert_eq!(t3_5(9600), Duration::from_nanos(4_010_416));
    assert_eq!(t3_5(19_200), Duration::from_nanos(2_005_208));
    assert_eq!(t1_5(19_200), Duration::from_nanos(859_375));
    for baud in [19_201, 38_400, 115_200, 1_000_000] {
        assert_eq!(t3_5(baud), Duration::from_micros(1750));
        assert_eq!(t1_5(baud), Duration::from_micros(750));
    }
    assert!(t3_5(0) > t3_5(1200), "no division by nothing");
}

/// 123456.0 is 47F12000 in IEEE 754; the four orders by hand.
#[test]
fn the_known_value_lies_in_the_order_that_was_asked_for() {
    assert_eq!(WordOrder::Abcd.words(KNOWN), [0x47f1, 0x2000]);
    assert_eq!(WordOrder::Cdab.words(KNOWN), [0x2000, 0x47f1]);
    assert_eq!(WordOrder::Badc.words(KNOWN), [0xf147, 0x0020]);
    assert_eq!(WordOrder::Dcba.words(KNOWN), [0x0020, 0xf147]);
    assert_eq!(read(&mut bench(), Mono::ZERO, 48, 2), Ok(vec![0x47f1, 0x2000]));
}

#[test]
fn a_part_is_plated_through_registers() {
    let (mut bench, t) = (bench(), Mono::ZERO);
    for (register, word) in [(3, 800), (4, 3000), (1, 600), (2, 2000), (0, 1)] {
        write(&mut bench, t, register, word);
    }
    assert_eq!(read(&mut bench, t, 0, 6), Ok(vec![1, 600, 2000, 800, 3000, 0]));
    assert!(bench.supply().ovp.armed && bench.supply().ocp.armed);
    let later = t + Duration::from_secs(2);
    let block = read(&mut bench, later, 16, 7).unwrap();
    let truth = bench.truth();
    assert!((f64::from(block[0]) * 0.01 - truth.volts.get()).abs() < 0.02, "{block:?} {truth:?}");
    assert!((f64::from(block[1]) * 0.001 - 2.0).abs() < 0.005, "{block:?}");
    assert_eq!(block[2..], [1, 1, 0, 600, 2000]);
    write(&mut bench, later, 0, 0);
    assert!(!bench.truth().output);
    assert_eq!(read(&mut bench, later, 18, 2), Ok(vec![0, 0]));
}

#[test]
fn identity_names_the_maker_and_the_serial_number() {
    assert_eq!(read(&mut bench(), Mono::ZERO, 32, 4), Ok(vec![0x544b, 0x4d31, 1, 4464]));
    assert_eq!(0x544b_u16.to_be_bytes(), *b"TK");
    assert_eq!(0x4d31_u16.to_be_bytes(), *b"M1");
}

#[test]
fn a_trip_shows_refuses_on_and_is_cleared() {
    let (mut bench, t) = (bench(), Mono::ZERO);
    bench.fault(t, Fault::SupplyTrips, None);
    assert_eq!(read(&mut bench, t, 20, 1), Ok(vec![4]));
    write(&mut bench, t, 0, 1);
    assert_eq!(read(&mut bench, t, 18, 1), Ok(vec![0]), "on while tripped");
    write(&mut bench, t, 5, 7);
    assert_eq!(read(&mut bench, t, 20, 1), Ok(vec![4]), "cleared by a word that is not 1");
    write(&mut bench, t, 5, 1);
    assert_eq!(read(&mut bench, t, 20, 1), Ok(vec![0]));
    write(&mut bench, t, 0, 1);
    assert_eq!(read(&mut bench, t, 18, 1), Ok(vec![1]));
}

#[test]
fn a_setpoint_beyond_the_rating_is_clipped_and_the_read_back_tells() {
    let (mut bench, t) = (bench(), Mono::ZERO);
    write(&mut bench, t, 1, 65_535);
    write(&mut bench, t, 2, 65_535);
    assert_eq!(read(&mut bench, t, 21, 2), Ok(vec![1200, 10_000]));
}

#[test]
fn a_word_that_is_neither_on_nor_off_switches_nothing() {
    let (mut bench, t) = (bench(), Mono::ZERO);
    for word in [2, 0xff00, 0x0100, 0xffff] {
        write(&mut bench, t, 0, word);
        assert!(!bench.supply().output(), "{word:04x}");
    }
    write(&mut bench, t, 0, 1);
    write(&mut bench, t, 0, 0xff00);
    assert!(bench.supply().output());
}

/// Application Protocol V1.1b3, section 7 (codes) and the state diagrams of
/// sections 6.3, 6.6 and 6.12 (which code when: function, then quantity, then address).
#[test]
fn every_bad_request_gets_the_exception_of_the_standard() {
    let cases: &[(&[u8], u8)] = &[
        (&[4, 0, 16, 0, 1], 1), // Input registers: none here.
        (&[1, 0, 0, 0, 1], 1),
        (&[43, 14, 1, 0], 1),
        (&[0x83, 0, 0, 0, 1], 1),
        (&[3, 0, 0, 0, 0], 3),
        (&[3, 0, 0, 0, 126], 3),
        (&[3, 0, 0, 255, 255], 3),
        (&[3, 0, 0, 0], 3),
        (&[3, 0, 0, 0, 1, 9], 3),
        (&[3, 0, 6, 0, 1], 2),
        (&[3, 0, 5, 0, 2], 2), // Half of it is not there.
        (&[3, 255, 255, 0, 2], 2),
        (&[6, 0, 16, 0, 1], 2), // A meter cannot be set.
        (&[6, 0, 99, 0, 1], 2),
        (&[6, 0, 1, 0], 3),
        (&[16, 0, 1, 0, 2, 3, 0, 1, 0], 3),
        (&[16, 0, 1, 0, 2, 4, 0, 1, 0], 3),
        (&[16, 0, 1, 0, 0, 0], 3),
        (&[16, 0, 5, 0, 2, 4, 0, 1, 0, 1], 2),
        (&[16, 255, 255, 0, 2, 4, 0, 1, 0, 1], 2),
    ];
    let mut bench = bench();
    for (request, code) in cases {
        let reply = registers().answer(&mut bench, Mono::ZERO, request);
        assert_eq!(reply, [request[0] | 0x80, *code], "{request:02x?}");
    }
}

#[test]
fn a_block_of_which_one_register_is_bad_writes_nothing() {
    let mut bench = bench();
    let request = [16, 0, 4, 0, 3, 6, 3, 232, 0, 0, 0, 1];
    let before = bench.supply().ocp.level;
    assert_eq!(registers().answer(&mut bench, Mono::ZERO, &request), [0x90, 2]);
    assert_eq!(bench.supply().ocp.level, before);
    let request = [16, 0, 1, 0, 2, 4, 2, 88, 7, 208];
    assert_eq!(registers().answer(&mut bench, Mono::ZERO, &request), [16, 0, 1, 0, 2]);
    assert_eq!(read(&mut bench, Mono::ZERO, 21, 2), Ok(vec![600, 2000]));
}

#[test]
fn a_frame_in_any_pieces_is_whole_only_at_its_end() {
    let frame = rtu(1, &[16, 0, 1, 0, 2, 4, 2, 88, 7, 208]);
    for cut in 0..frame.len() {
        let mut input = RtuInput::default();
        input.push(&frame[..cut]);
        assert!(!input.is_whole(), "{cut}");
        input.push(&frame[cut..]);
        assert!(input.is_whole(), "{cut}");
        assert_eq!(input.silence(), Some((1, frame[1..frame.len() - 2].to_vec())));
        assert!(input.is_empty());
    }
}

#[test]
fn a_wrong_bit_a_second_frame_or_too_many_bytes_make_no_request() {
    let frame = rtu(1, &[3, 0, 16, 0, 7]);
    for bit in 0..frame.len() * 8 {
        let mut bad = frame.clone();
        bad[bit / 8] ^= 1 << (bit % 8);
        let mut input = RtuInput::default();
        input.push(&bad);
        assert!(!input.is_whole() && input.silence().is_none(), "bit {bit}");
    }
    let mut input = RtuInput::default();
    input.push(&frame);
    input.push(&frame);
    assert!(!input.is_whole() && input.silence().is_none(), "two frames without a silence");
    for _ in 0..1000 {
        input.push(&[7; 100]);
    }
    assert!(input.silence().is_none());
    input.push(&frame);
    assert!(input.is_whole(), "after a silence all is forgotten");
}

/// The header of MODBUS Messaging on TCP/IP V1.0b, section 3.1.3.
#[test]
fn requests_over_tcp_come_out_one_by_one_and_broken_ones_end_the_connection() {
    let mut bytes = tcp(0x1501, 1, &[3, 0, 4, 0, 1]);
    assert_eq!(bytes, [0x15, 0x01, 0, 0, 0, 6, 1, 3, 0, 4, 0, 1]);
    let mut foreign = tcp(7, 1, &[3, 0, 0, 0, 1]);
    foreign[3] = 1;
    bytes.extend(foreign);
    bytes.extend(tcp(2, 255, &[6, 0, 1, 0, 3]));
    let mut input = TcpInput::default();
    let mut found = Vec::new();
    for byte in bytes {
        input.push(&[byte]);
        found.extend(input.take().unwrap());
    }
    assert_eq!(found.iter().map(|r| (r.transaction, r.unit)).collect::<Vec<_>>(), [(0x1501, 1), (2, 255)]);
    assert_eq!(found[1].pdu, [6, 0, 1, 0, 3]);
    for length in [0, 1, 255, 65_535_u16] {
        let [high, low] = length.to_be_bytes();
        let mut input = TcpInput::default();
        input.push(&[0, 1, 0, 0, high, low, 1]);
        assert_eq!(input.take(), Err(Broken), "{length}");
    }
}

proptest! {
    #[test]
    fn no_request_panics_or_is_answered_with_what_it_did_not_ask(
        request in proptest::collection::vec(any::<u8>(), 1..260),
        function in prop::sample::select(vec![3u8, 6, 16, 255]),
    ) {
        let mut request = request;
        if function != 255 {
            request[0] = function;
        }
        let reply = registers().answer(&mut bench(), Mono::ZERO, &request);
        prop_assert!(reply.len() <= LONGEST_PDU);
        if reply[0] == request[0] && request[0] < 0x80 {
            match reply[0] {
                3 => prop_assert_eq!(reply.len(), 2 + 2 * usize::from(request[4])),
                6 => prop_assert_eq!(&reply, &request),
                16 => prop_assert_eq!(&reply[..], &request[..5]),
                other => prop_assert!(false, "function {} was carried out", other),
            }
        } else {
            prop_assert_eq!(reply[0], request[0] | 0x80);
            prop_assert_eq!(reply.len(), 2);
        }
    }

    #[test]
    fn no_bytes_on_a_line_panic_or_pile_up(pieces in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..300), 0..8)) {
        let (mut line, mut socket) = (RtuInput::default(), TcpInput::default());
        let mut broken = false;
        for piece in &pieces {
            line.push(piece);
            let _ = line.is_whole();
            broken = broken || {
                socket.push(piece);
                loop {
                    match socket.take() {
                        Ok(Some(request)) => prop_assert!(request.pdu.len() <= LONGEST_PDU),
                        Ok(None) => break false,
                        Err(Broken) => break true,
                    }
                }
            };
        }
        if let Some((_, pdu)) = line.silence() {
            prop_assert!(pdu.len() <= LONGEST_PDU);
        }
    }
}
