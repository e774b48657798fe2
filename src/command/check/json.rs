//! The check as JSON.

use serde_json::{Value, json};
use tallywell_witness::declared::Port;
use tallywell_witness::plan::{DevicePlan, Purpose, Remedy};

use super::{Checked, PlannedLine, function_code};
use crate::record::format_instant;
use crate::site::{Loaded, Problem, Problems, Severity};

/// Files that cannot be used: their problems.
pub(super) fn of_problems(problems: &Problems) -> Value {
    let of = |severity| problems.all().iter().filter(move |problem| problem.severity() == severity).map(problem);
    json!({
        "errors": of(Severity::Error).collect::<Vec<_>>(),
        "cautions": of(Severity::Caution).collect::<Vec<_>>(),
    })
}

/// Files that can be used: what is doubtful about them, and the read plan.
pub(super) fn of_checked(checked: &Checked) -> Value {
    let loaded = &checked.loaded;
    json!({
        "site": loaded.site.name,
        "files": loaded.sources.iter().map(|(path, _)| path.display().to_string()).collect::<Vec<_>>(),
        "errors": [],
        "cautions": loaded.cautions.iter().map(problem).collect::<Vec<_>>(),
        "outputs": checked.outputs.iter().map(|(meter, cautions)| json!({ "meter": meter, "cautions": cautions })).collect::<Vec<_>>(),
        "lines": checked.lines.iter().map(|planned| line(loaded, planned)).collect::<Vec<_>>(),
    })
}

fn problem(problem: &Problem) -> Value {
    let (line, column) = problem.line_and_column().unzip();
    json!({
        "file": problem.path().display().to_string(),
        "line": line,
        "column": column,
        "message": problem.message(),
        "instead": problem.instead(),
    })
}

fn line(loaded: &Loaded, planned: &PlannedLine) -> Value {
    let declared = loaded.site.lines.get(&planned.plan.line);
    json!({
        "line": planned.plan.line,
        "port": declared.map(|line| match &line.port {
            Port::Serial(path) => path.display().to_string(),
            Port::Tcp(address) => format!("tcp://{address}"),
            Port::RtuOverTcp(address) => format!("rtu+tcp://{address}"),
        }),
        "baud": planned.plan.timing.framing().baud,
        "listens": planned.listens,
        "heard": planned.heard.as_ref().map(|heard| json!({
            "from": format_instant(heard.from),
            "to": format_instant(heard.to),
            "unread": heard.unread.iter().map(|device| json!({
                "device": device.device,
                "address": device.address,
                "entries": device.entries,
                "needed": device.needed,
            })).collect::<Vec<_>>(),
        })),
        "fits": planned.fits(),
        "line_use": planned.load.fraction,
        "takes_the_rest": planned.load.takes_the_rest,
        "one_turn_ms": milliseconds(planned.load.one_turn),
        "reply_delay_ms": milliseconds(planned.plan.reply_delay),
        "devices": planned.plan.devices.iter().map(device).collect::<Vec<_>>(),
        "would_fit": planned.remedies.iter().map(remedy).collect::<Vec<_>>(),
    })
}

fn device(device: &DevicePlan) -> Value {
    let requests = device.plan.requests.iter().map(|planned| {
        json!({
            "function": function_code(planned.request.table),
            "table": planned.request.table,
            "address": planned.request.start,
            "count": planned.request.count,
            "entries": planned.entries,
            "wire_ms": milliseconds(planned.wire_time()),
        })
    });
    json!({
        "device": device.device,
        "address": device.unit,
        "every_s": device.every.as_secs_f64(),
        "reads": match device.purpose {
            Purpose::Readings => "readings",
            Purpose::Settings => "settings",
        },
        "requests": requests.collect::<Vec<_>>(),
    })
}

fn remedy(remedy: &Remedy) -> Value {
    match remedy {
        Remedy::Baud { baud, fraction } => json!({ "baud": baud, "line_use": fraction }),
        Remedy::Period { times, every, fraction } => {
            json!({ "periods_times": times, "every_s": every.map(|every| every.as_secs_f64()), "line_use": fraction })
        }
        Remedy::GapsReadable { devices, fraction } => json!({ "gaps_readable": devices, "line_use": fraction }),
    }
}

fn milliseconds(time: std::time::Duration) -> f64 {
    time.as_secs_f64() * 1e3
}
