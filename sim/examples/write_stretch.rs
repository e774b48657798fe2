//! Writes the readings of a scenario into a folder, as a user would hand them in:
//! `cargo run -p tallywell-sim --example write_stretch -- SCENARIO FOLDER`.

use std::error::Error;
use std::fs::{self, File};
use std::path::Path;

use tallywell_sim::scenario::{Scenario, Stretch};

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [scenario, folder] = arguments.as_slice() else {
        return Err("two arguments are needed: a scenario, a folder".into());
    };
    let Stretch { meters, case } = Scenario::stretch(&fs::read_to_string(scenario)?, scenario)?;
    let folder = Path::new(folder);
    fs::create_dir_all(folder.join("maps"))?;
    fs::write(folder.join("site.toml"), &case.site_toml)?;
    for (path, text) in &case.maps {
        fs::write(folder.join(path), text)?;
    }
    case.write_csv(File::create(folder.join(format!("{}.csv", meters[0])))?)?;
    if let Some(other) = meters.get(1) {
        case.write_other_csv(File::create(folder.join(format!("{other}.csv")))?)?;
    }
    Ok(())
}
