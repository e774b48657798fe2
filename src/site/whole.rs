//! A whole site file, understood part by part.

use std::collections::BTreeMap;

use tallywell_witness::declared::Site;

use super::devices::{self, Maps};
use super::keys;
use super::meaning::Meaning;
use super::mentioned::Mention;
use super::problem::{File, Report};
use super::written::{Fields, is_register_map, parse_toml};
use super::{lines, meters};

/// Understands a whole site file; `None` where its own parts are missing.
pub(super) fn site(file: &mut File, maps: &mut Maps<'_>, report: &mut Report) -> Option<(Site, Vec<Mention>)> {
    let text = file.text.clone();
    let document = parse_toml(&text, file, report);
    if is_register_map(document.get_ref()) {
        report
            .error(file, 0..0, "this is a register map, not a site file")
            .write("name the site file, whose devices name their maps");
        return None;
    }
    let fields = Fields::of_document(document.get_ref(), keys::SITE, file, report);
    let mut meaning = Meaning { file, report, mentions: Vec::new() };
    let lines = lines::lines(&fields, &mut meaning);
    let devices = devices::devices(&fields, maps, &mut meaning);
    let meters = meters::meters(&fields, &devices, &mut meaning);
    let site = Site {
        store: lines::store(&fields, &file.path, &mut meaning),
        notice: lines::notice(&fields, &mut meaning),
        page: lines::page(&fields, &mut meaning),
        broker: lines::broker(&fields, &mut meaning),
        name: (*fields.text("site")?.get_ref()).to_owned(),
        lines,
        devices: devices.into_iter().filter_map(|(name, read)| Some((name, read.device?))).collect::<BTreeMap<_, _>>(),
        meters,
    };
    Some((site, meaning.mentions))
}
