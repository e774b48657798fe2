use std::path::{Path, PathBuf};

use super::*;

fn config() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config")
}

#[test]
fn every_shipped_site_loads_without_a_caution() {
    let mut loaded_any = false;
    for entry in std::fs::read_dir(config()).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|extension| extension == "toml") {
            let loaded = load(&path).unwrap_or_else(|problems| panic!("{problems}"));
            assert!(loaded.cautions.is_empty(), "{}", render(&loaded.cautions, false));
            loaded_any = true;
        }
    }
    assert!(loaded_any);
}

#[test]
fn facts_of_a_meter_come_from_all_over_the_site() {
    let loaded = load(&config().join("kestrel-creek.toml")).unwrap();
    let facts = meter_facts(&loaded.site, "bore-1").unwrap();
    assert_eq!(facts.flow.unwrap().entry.name, "flow_rate");
    assert_eq!(facts.loop_ma.unwrap().entry.scale, 0.001);
    assert_eq!(facts.pulses.unwrap().entry.address, 0);
    assert_eq!(facts.status_names, ["empty pipe", "coil drive fault", "reverse flow"]);
    assert_eq!(
        meter_facts(&loaded.site, "bore1").unwrap_err().to_string(),
        "there is no meter `bore1` in the site file; did you mean `bore-1`?"
    );
}
