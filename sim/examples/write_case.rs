//! Writes one labelled case into a folder, as a user would hand it in:
//! `cargo run -p tallywell-sim --example write_case -- CODE|healthy SEED FOLDER [near]`.

use std::error::Error;
use std::fs::{self, File};
use std::path::Path;

use tallywell_sim::cases::{Case, HEALTHY_KINDS, METER, OTHER_METER, Severity};

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [code, seed, folder, rest @ ..] = arguments.as_slice() else {
        return Err("three arguments are needed: a code or `healthy`, a seed, a folder".into());
    };
    let seed: u64 = seed.parse()?;
    let severity = if rest.is_empty() { Severity::Ordinary } else { Severity::NearLimit };
    let case = if code == "healthy" {
        let kinds = HEALTHY_KINDS.len() as u64;
        Case::healthy(HEALTHY_KINDS[(seed % kinds) as usize], seed)
    } else {
        Case::faulty(code, severity, seed).ok_or("no such code")?
    };
    let folder = Path::new(folder);
    fs::create_dir_all(folder.join("maps"))?;
    fs::write(folder.join("site.toml"), &case.site_toml)?;
    for (path, text) in &case.maps {
        fs::write(folder.join(path), text)?;
    }
    case.write_csv(File::create(folder.join(format!("{METER}.csv")))?)?;
    if case.other_rows().is_some() {
        case.write_other_csv(File::create(folder.join(format!("{OTHER_METER}.csv")))?)?;
    }
    println!("{:?} {:?}", case.codes, case.parameters);
    Ok(())
}
