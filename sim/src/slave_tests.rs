use proptest::prelude::*;
use rmodbus::server::{ModbusFrame, context::ModbusContext, storage::ModbusStorageFull};
use rmodbus::{ModbusProto, client::ModbusRequest};

use super::*;
use crate::frame::check_sum;
use crate::image::{Encoded, Fixed, Gaps};

fn ask(slave: &mut Slave, protocol_data: &[u8]) -> Vec<u8> {
    slave.reply(protocol_data, Duration::from_millis(5))
}

/// MODBUS Application Protocol V1.1b3 §7: with 100 registers, 4 from 96 exist and 5 do not.
#[test]
fn addresses_beyond_the_last_are_refused_after_bad_quantities() {
    let mut slave = Slave::new(1, Encoded { unit: 1, addresses: 0..100 }).with_max_registers(60);
    assert_eq!(ask(&mut slave, &[3, 0, 96, 0, 4])[..2], [3, 8]);
    assert_eq!(ask(&mut slave, &[3, 0, 96, 0, 5]), [0x83, 2]);
    assert_eq!(ask(&mut slave, &[3, 0, 96, 0, 126]), [0x83, 3]);
    assert_eq!(ask(&mut slave, &[3, 0, 0, 0, 61]), [0x83, 3]);
    assert_eq!(ask(&mut slave, &[3, 0xFF, 0xFF, 0, 2]), [0x83, 2]);
    assert_eq!(ask(&mut slave, &[6, 0, 1, 0, 3]), [0x86, 1]);
}

#[test]
fn a_gap_is_refused_wherever_a_request_touches_it() {
    let image = Gaps { image: Encoded { unit: 1, addresses: 0..20 }, missing: vec![4..6, 10..11] };
    let mut slave = Slave::new(1, image);
    for (start, quantity, refused) in
        [(0, 4, false), (0, 5, true), (5, 1, true), (6, 4, false), (3, 2, true), (11, 9, false)]
    {
        assert_eq!(ask(&mut slave, &[4, 0, start, 0, quantity])[0] == 0x84, refused, "{quantity} from {start}");
    }
}

#[test]
fn diagnostics_echo_and_count() {
    let mut slave = Slave::new(0x11, Fixed::default());
    // MODBUS Application Protocol V1.1b3 §6.8.2.
    assert_eq!(ask(&mut slave, &[8, 0, 0, 0xA5, 0x37]), [8, 0, 0, 0xA5, 0x37]);
    assert_eq!(ask(&mut slave, &[3, 0, 0, 0, 1]), [0x83, 2]);
    slave.overhear(true);
    slave.overhear(false);
    slave.overhear(false);
    for (counter, count) in [(0x0B, 1), (0x0C, 2), (0x0D, 1), (0x0E, 6), (0x11, 0)] {
        assert_eq!(ask(&mut slave, &[8, 0, counter, 0, 0]), [8, 0, counter, 0, count]);
    }
}

/// The basic identification of MODBUS Application Protocol V1.1b3 §6.21, with the product code's true length of 15 where the
/// document prints 0D.
#[test]
fn identification_is_the_standards_example() {
    let objects = vec![
        (0, "Company identification".to_owned()),
        (1, "Product code XX".to_owned()),
        (2, "V2.11".to_owned()),
        (0x80, "x".repeat(230)),
    ];
    let mut slave = Slave::new(1, Fixed::default());
    assert_eq!(ask(&mut slave, &[0x2B, 0x0E, 1, 0]), [0xAB, 1]);
    let mut slave = slave.with_identity(Identity { objects });
    let mut example = vec![0x2B, 0x0E, 1, 0x83, 0, 0, 3, 0, 22];
    example.extend(b"Company identification\x01\x0FProduct code XX\x02\x05V2.11");
    assert_eq!(ask(&mut slave, &[0x2B, 0x0E, 1, 0]), example);
    // An unknown object: a stream begins anew, one object alone is refused.
    assert_eq!(ask(&mut slave, &[0x2B, 0x0E, 1, 9]), example);
    assert_eq!(ask(&mut slave, &[0x2B, 0x0E, 4, 9]), [0xAB, 2]);
    assert_eq!(ask(&mut slave, &[0x2B, 0x0E, 4, 2]), *b"\x2B\x0E\x04\x83\0\0\x01\x02\x05V2.11");
    // All that there is does not fit in one reply: the rest follows from the object named.
    let first = ask(&mut slave, &[0x2B, 0x0E, 3, 0]);
    assert_eq!(first[4..7], [0xFF, 0x80, 3]);
    assert_eq!(ask(&mut slave, &[0x2B, 0x0E, 3, 0x80])[4..7], [0, 0, 1]);
    assert_eq!(ask(&mut slave, &[0x11])[..4], [0x11, 17, 1, 0xFF]);
}

fn oracle(storage: &ModbusStorageFull, request: &[u8]) -> Vec<u8> {
    let mut reply = Vec::new();
    let mut frame = ModbusFrame::new(request[0], request, ModbusProto::Rtu, &mut reply);
    frame.parse().unwrap();
    if frame.processing_required {
        // Refusals are answers too: they stand in the reply.
        let _ = frame.process_read(storage);
    }
    frame.finalize_response().unwrap();
    reply
}

proptest! {
    /// An independent implementation answers every read of existing registers and bits byte for byte alike, and builds
    /// requests with the same check sums.
    #[test]
    fn replies_are_those_of_an_independent_implementation(
        table in prop::sample::select(vec![Table::Coil, Table::Discrete, Table::Input, Table::Holding]),
        start in 0_u16..300,
        quantity in 1_u16..=125,
        values in prop::collection::vec(any::<u16>(), 425),
    ) {
        let mut storage = ModbusStorageFull::new();
        for (address, &value) in (0_u16..).zip(&values) {
            match table {
                Table::Coil => storage.set_coil(address, value & 1 == 1),
                Table::Discrete => storage.set_discrete(address, value & 1 == 1),
                Table::Input => storage.set_input(address, value),
                Table::Holding => storage.set_holding(address, value),
            }.unwrap();
        }
        let image = move |_: Table, address: u16, _: Duration| {
            let value = values.get(usize::from(address)).copied()?;
            Some(if table.holds_bits() { value & 1 } else { value })
        };
        let mut request = Vec::new();
        let mut client = ModbusRequest::new(9, ModbusProto::Rtu);
        match table {
            Table::Coil => client.generate_get_coils(start, quantity, &mut request),
            Table::Discrete => client.generate_get_discretes(start, quantity, &mut request),
            Table::Input => client.generate_get_inputs(start, quantity, &mut request),
            Table::Holding => client.generate_get_holdings(start, quantity, &mut request),
        }.unwrap();
        let body = request.len() - 2;
        prop_assert_eq!(&check_sum(&request[..body]).to_le_bytes()[..], &request[body..]);
        let answers = Slave::new(9, image).answer(&request, Duration::ZERO);
        prop_assert_eq!(&answers[0].bytes, &oracle(&storage, &request));
    }
}
