//! Names that somebody may have meant by one that is not there, and names as a sentence lists them.

/// Names that references lead to, made ready to be looked through once for each that leads nowhere.
#[derive(Debug)]
pub(super) struct Names<'n> {
    folded: Vec<Folded<'n>>,
}

#[derive(Debug)]
struct Folded<'n> {
    name: &'n str,
    /// As it is compared: case and the two dashes make no difference.
    folded: String,
    length: usize,
    letters: u64,
}

impl<'n> Folded<'n> {
    fn new(name: &'n str) -> Self {
        let folded = name.to_lowercase().replace('-', "_");
        let letters = folded.chars().fold(0, |letters, letter| letters | 1 << (u32::from(letter) % 64));
        Self { name, length: folded.chars().count(), letters, folded }
    }

    /// How far a name is from what was written, if it is near enough to have been meant.
    fn distance(&self, written: &Folded<'_>) -> Option<usize> {
        // The beginning of a name is near to it however much is left out.
        if written.length >= 3 && self.folded.starts_with(&written.folded) {
            return Some(1);
        }
        let nearby = 1.max(self.length / 3);
        // One change adds or takes one letter, or puts one in the place of another.
        let changes = self.length.abs_diff(written.length);
        let letters = (self.letters ^ written.letters).count_ones() as usize;
        if changes > nearby || letters > 2 * nearby {
            return None;
        }
        let distance = strsim::osa_distance(&written.folded, &self.folded);
        (distance <= nearby && distance < written.length || distance == 0).then_some(distance)
    }
}

impl<'n> Names<'n> {
    /// These names, in the order in which a sentence lists them.
    pub(super) fn of(names: impl IntoIterator<Item = &'n str>) -> Self {
        Self { folded: names.into_iter().map(Folded::new).collect() }
    }

    /// The name nearest to `written`, if any is near enough to have been meant; the first of several.
    pub(super) fn nearest(&self, written: &str) -> Option<&'n str> {
        let written = Folded::new(written);
        let near = self.folded.iter().filter_map(|known| Some((known.distance(&written)?, known.name)));
        near.min_by_key(|(distance, _)| *distance).map(|(_, name)| name)
    }

    /// Them as a sentence lists them.
    pub(super) fn listed(&self) -> String {
        listed(self.folded.iter().map(|known| known.name), "and")
    }
}

/// The name nearest to `written`, if any is near enough to have been meant.
pub fn nearest<'n>(written: &str, names: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    Names::of(names).nearest(written)
}

/// Names as a sentence lists them: `a`, `b` and `c`; of very many the first, and how many there are.
pub(super) fn listed<'n>(names: impl IntoIterator<Item = &'n str>, between: &str) -> String {
    /// More than these are looked up, not read.
    const MOST: usize = 24;
    let mut names = names.into_iter();
    let mut quoted: Vec<String> = names.by_ref().take(MOST).map(|name| format!("`{name}`")).collect();
    let more = names.count();
    if more > 0 {
        return format!("{}, {between} {more} more", quoted.join(", "));
    }
    match quoted.pop() {
        None => "none".to_owned(),
        Some(last) if quoted.is_empty() => last,
        Some(last) => format!("{} {between} {last}", quoted.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// What [`Folded::distance`] is, without what spares it the work.
    fn by_the_book(name: &str, written: &str) -> Option<usize> {
        let fold = |name: &str| name.to_lowercase().replace('-', "_");
        let (name, written) = (fold(name), fold(written));
        let length = written.chars().count();
        let is_beginning = length >= 3 && name.starts_with(&written);
        let distance = if is_beginning { 1 } else { strsim::osa_distance(&written, &name) };
        let is_near = distance <= 1.max(name.chars().count() / 3) && distance < length;
        (is_near || distance == 0).then_some(distance)
    }

    proptest! {
        #[test]
        fn nothing_near_is_passed_over(name in "[a-eA-E1-3_é-]{0,9}", written in "[a-eA-E1-3_é-]{0,9}") {
            let found = Folded::new(&name).distance(&Folded::new(&written));
            prop_assert_eq!(found, by_the_book(&name, &written));
        }
    }

    #[test]
    fn the_first_of_the_nearest_is_taken() {
        let names = Names::of(["shed-1", "shed-2", "yard"]);
        assert_eq!(
            (names.nearest("shed-3"), names.nearest("Yard"), names.nearest("pump")),
            (Some("shed-1"), Some("yard"), None)
        );
        assert_eq!(names.listed(), "`shed-1`, `shed-2` and `yard`");
    }
    #[test]
    fn nobody_reads_hundreds_of_names() {
        let names: Vec<String> = (0..247).map(|number| format!("meter-{number}")).collect();
        let list = listed(names.iter().map(String::as_str), "or");
        assert!(list.starts_with("`meter-0`, `meter-1`, ") && list.ends_with("`meter-23`, or 223 more"), "{list}");
    }
}
