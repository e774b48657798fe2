use super::*;

fn bytes(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

#[test]
fn check_sums_are_the_published_ones() {
    // MODBUS over Serial Line V1.02, appendix B: 02 07 goes out as 02 07 41 12.
    assert_eq!(check_sum(&[0x02, 0x07]), 0x1241);
    // The catalogue's check value of CRC-16/MODBUS.
    assert_eq!(check_sum(b"123456789"), 0x4B37);
    assert_eq!(frame(0x11, &bytes("03 00 6B 00 03")), bytes("11 03 00 6B 00 03 76 87"));
    assert_eq!(sound(&bytes("11 03 00 6B 00 03 76 87")), Some((0x11, &bytes("03 00 6B 00 03")[..])));
    assert_eq!(sound(&bytes("11 03 00 6B 00 03 76 86")), None);
}

/// The worked examples of MODBUS Application Protocol V1.1b3 §6.1 to 6.4, request and reply.
#[test]
fn replies_are_those_of_the_standards_examples() {
    let bits = |text: &str| text.chars().filter(|c| !c.is_whitespace()).map(|c| c == '1').collect::<Vec<_>>();
    assert_eq!(
        Request::parse(&bytes("01 00 13 00 13")),
        Ok(Request::Read { table: Table::Coil, start: 19, quantity: 19 })
    );
    assert_eq!(bits_reply(Table::Coil, &bits("1011 0011 1101 0110 101")), bytes("01 03 CD 6B 05"));
    assert_eq!(
        Request::parse(&bytes("02 00 C4 00 16")),
        Ok(Request::Read { table: Table::Discrete, start: 196, quantity: 22 })
    );
    assert_eq!(bits_reply(Table::Discrete, &bits("0011 0101 1101 1011 1010 11")), bytes("02 03 AC DB 35"));
    assert_eq!(
        Request::parse(&bytes("03 00 6B 00 03")),
        Ok(Request::Read { table: Table::Holding, start: 107, quantity: 3 })
    );
    assert_eq!(registers_reply(Table::Holding, &[555, 0, 100]), bytes("03 06 02 2B 00 00 00 64"));
    assert_eq!(
        Request::parse(&bytes("04 00 08 00 01")),
        Ok(Request::Read { table: Table::Input, start: 8, quantity: 1 })
    );
    assert_eq!(registers_reply(Table::Input, &[10]), bytes("04 02 00 0A"));
    // §6.8.2 and §7.
    assert_eq!(Request::parse(&bytes("08 00 00 A5 37")), Ok(Request::Echo(bytes("A5 37"))));
    assert_eq!(Exception::ILLEGAL_ADDRESS.reply(0x01), [0x81, 0x02]);
}

#[test]
fn functions_are_judged_before_quantities() {
    for (request, verdict) in [
        ("03 00 00 00 00", Err(Exception::ILLEGAL_VALUE)),
        ("03 00 00 00 7E", Err(Exception::ILLEGAL_VALUE)),
        ("04 00 00 00 7D", Ok(Request::Read { table: Table::Input, start: 0, quantity: 125 })),
        ("01 00 00 07 D0", Ok(Request::Read { table: Table::Coil, start: 0, quantity: 2000 })),
        ("02 00 00 07 D1", Err(Exception::ILLEGAL_VALUE)),
        ("03 00 00 00", Err(Exception::ILLEGAL_VALUE)),
        // The four writing examples of §6.5, 6.6, 6.11 and 6.12.
        ("05 00 AC FF 00", Err(Exception::ILLEGAL_FUNCTION)),
        ("06 00 01 00 03", Err(Exception::ILLEGAL_FUNCTION)),
        ("0F 00 13 00 0A 02 CD 01", Err(Exception::ILLEGAL_FUNCTION)),
        ("10 00 01 00 02 04 00 0A 01 02", Err(Exception::ILLEGAL_FUNCTION)),
        // Restart, listen-only mode and clearing change a device's state.
        ("08 00 01 00 00", Err(Exception::ILLEGAL_FUNCTION)),
        ("08 00 04 00 00", Err(Exception::ILLEGAL_FUNCTION)),
        ("08 00 0A 00 00", Err(Exception::ILLEGAL_FUNCTION)),
        ("08 00 0B 00 00", Ok(Request::Counter(0x0B))),
        ("08 00 0B 00 01", Err(Exception::ILLEGAL_VALUE)),
        ("2B 0E 01 00", Ok(Request::DeviceIdentification { access: 1, object: 0 })),
        ("2B 0E 05 00", Err(Exception::ILLEGAL_VALUE)),
        ("2B 0D 00 00", Err(Exception::ILLEGAL_FUNCTION)),
    ] {
        assert_eq!(Request::parse(&bytes(request)), verdict, "{request}");
    }
}

#[test]
fn a_wire_without_pace_finds_the_end_of_requests() {
    for request in ["11 03 00 6B 00 03 76 87", "11 08 00 00 A5 37 D8 1D", "11 11 CD EC", "11 2B 0E 01 00 B1 B4"] {
        let request = bytes(request);
        assert!(sound(&request).is_some());
        assert_eq!(request_length(&request), Some(request.len()));
    }
}
