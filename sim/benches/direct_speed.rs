//! Rows a second of the direct mode: `cargo bench -p tallywell-sim --bench direct_speed`.

use std::time::Instant;

use tallywell_sim::direct::{Direct, Sampling};
use tallywell_sim::plant::{PointPlan, Shed};
use tallywell_sim::profile::Profile;

fn main() {
    let plain = PointPlan::usual(Profile::trapezoid(4.0, 30.0, 600.0, 60.0), 36.0, 25.0);
    for (name, cycle) in [("5 measurements a row", 0.2), ("2 measurements a row", 0.5), ("1 measurement a row", 1.0)] {
        let mut plan = plain.clone();
        plan.build.cycle = cycle;
        let days = 20.0;
        let begun = Instant::now();
        let rows = Direct::new(Shed::new(vec![plan], 1), 0, Sampling::default(), days * 86_400.0, 1).count();
        let seconds = begun.elapsed().as_secs_f64();
        println!("{name}: {:.2} million rows/s", rows as f64 / seconds / 1e6);
    }
}
