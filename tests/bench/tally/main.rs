//! How the tallies do: `cargo bench --bench tally` prints every table, `-- --short` a small form of each.
//!
//! One table alone: `-- delay`, `-- healthy`, `-- loss`, `-- speed`. `--years N` for other than ten simulated
//! meter-years of healthy flow, `--seed N` for other such years.

#![expect(clippy::unwrap_used, reason = "a bench may fail")]

mod cases;
mod delay;
mod healthy;
#[path = "../interval.rs"]
#[expect(dead_code, reason = "the causes' benchmark has shares")]
mod interval;
mod loss;
mod speed;

const FIRST_SEED: u64 = 1_000_000;

/// How much of each table is made.
#[derive(Clone, Copy, Debug)]
struct Extent {
    runs: u32,
    years: f64,
    first_seed: u64,
    losses: u64,
    readings: usize,
}

/// Prints one.
type Table = fn(Extent);

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let has = |name: &str| arguments.iter().any(|it| it == name);
    let after = |name: &str| arguments.iter().position(|it| it == name).and_then(|place| arguments.get(place + 1));
    let mut extent = if has("--short") {
        Extent { runs: 400, years: 0.02, first_seed: FIRST_SEED, losses: 6, readings: 200_000 }
    } else {
        Extent { runs: 20_000, years: 10.0, first_seed: FIRST_SEED, losses: 200, readings: 5_000_000 }
    };
    if let Some(years) = after("--years") {
        extent.years = years.parse().unwrap();
    }
    if let Some(seed) = after("--seed") {
        extent.first_seed = seed.parse().unwrap();
    }
    let tables: [(&str, Table); 4] = [
        ("speed", |extent| speed::print(extent.readings)),
        ("delay", |extent| delay::print(extent.runs)),
        ("loss", |extent| loss::print(extent.losses)),
        ("healthy", |extent| healthy::print(extent.years, extent.first_seed)),
    ];
    let named = tables.iter().any(|(name, _)| has(name));
    for (name, print) in tables {
        if has(name) || !named {
            print(extent);
            println!();
        }
    }
}
