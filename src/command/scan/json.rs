//! The findings as one JSON document.

use serde_json::{Map, Value, json};
use tallywell_witness::declared::Port;

use super::parity_word;
use crate::line::fault::exception_name;
use crate::line::scan::identity::{Identification, hexadecimal, readable, text_within};
use crate::line::scan::{Ended, FirstAnswer, Found, Scan, ScanPlan};

pub(super) fn of(port: &str, plan: &ScanPlan, scan: &Scan) -> Value {
    let serial = matches!(plan.port, Port::Serial(_));
    let (ended, units) = match &scan.ended {
        Ended::Done => ("done", Value::Null),
        Ended::AnotherMaster { units, .. } => ("other-master", json!(units)),
        Ended::NeverQuiet => ("never-quiet", Value::Null),
    };
    let nothing_sent = matches!(scan.ended, Ended::AnotherMaster { nothing_sent: true, .. });
    let settings = scan.settled.as_ref().filter(|_| serial).map(|settled| {
        let also: Vec<Value> = settled.also.iter().map(|&framing| json!(framing)).collect();
        json!({
            "baud": settled.framing.baud,
            "parity": parity_word(settled.framing.parity),
            "stop_bits": settled.framing.stop_bits,
            "sure": settled.is_sure(),
            "compared": settled.compared,
            "answered_too": also,
        })
    });
    let heard = match &scan.ended {
        Ended::AnotherMaster { framing: Some(framing), .. } => json!(framing),
        _ => Value::Null,
    };
    let tried: Vec<Value> = scan
        .tried
        .iter()
        .filter(|tried| tried.addresses > 0)
        .map(|tried| {
            let mut told = Map::new();
            if serial {
                told.insert("baud".to_owned(), json!(tried.framing.baud));
                told.insert("parity".to_owned(), json!(parity_word(tried.framing.parity)));
                told.insert("stop_bits".to_owned(), json!(tried.framing.stop_bits));
            }
            told.insert("addresses".to_owned(), json!(tried.addresses));
            told.insert("of".to_owned(), json!(tried.of));
            Value::Object(told)
        })
        .collect();
    let garbled: Vec<Value> =
        scan.garbled.iter().map(|probe| json!({ "address": probe.address, "settings": probe.framing })).collect();
    json!({
        "port": port,
        "listened_s": scan.listened.as_secs_f64(),
        "ended": ended,
        "other_master": scan.other_master(),
        "other_master_settings": heard,
        "other_master_units": units,
        "nothing_sent": nothing_sent,
        "settings": settings,
        "devices": scan.devices.iter().map(|found| device(scan, found, serial)).collect::<Vec<_>>(),
        "garbled": garbled,
        "tried": tried,
        "settings_not_tried": scan.tried.iter().filter(|tried| tried.addresses == 0).count(),
        "noise_bytes": scan.noise_bytes,
        "echo": scan.echo,
    })
}

fn device(scan: &Scan, found: &Found, serial: bool) -> Value {
    let answer = found.answer.map(|FirstAnswer { register, content }| match content {
        Ok(word) => json!({ "holding_register": register, "value": word }),
        Err(code) => json!({ "holding_register": register, "exception": code, "meaning": exception_name(code) }),
    });
    let mut told = json!({
        "address": found.address,
        "answer": answer,
        "reply_ms": found.reply.map(|reply| (reply.as_secs_f64() * 1e6).round() / 1e3),
        "slow": found.slow,
        "identification": found.identity.identification.as_ref().map(identification),
        "server_id": found.identity.server_id.as_ref().map(|bytes| {
            json!({ "hex": hexadecimal(bytes), "text": text_within(bytes) })
        }),
        "counters": found.identity.counters,
        "doubt": scan.doubt(found),
    });
    if serial {
        told["baud"] = json!(found.framing.baud);
        told["parity"] = json!(parity_word(found.framing.parity));
        told["stop_bits"] = json!(found.framing.stop_bits);
    }
    told
}

/// The objects under the standard's names, the device's own ones under their numbers.
fn identification(identification: &Identification) -> Value {
    let objects = identification.0.iter().map(|(&number, bytes)| (object_name(number), json!(readable(bytes))));
    Value::Object(objects.collect())
}

/// The name of an identification object (MODBUS Application Protocol V1.1b3, section 6.21).
pub(super) fn object_name(number: u8) -> String {
    match number {
        0 => "vendor_name".to_owned(),
        1 => "product_code".to_owned(),
        2 => "revision".to_owned(),
        other => format!("object_{other:02X}"),
    }
}
