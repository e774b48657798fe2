//! What has to be seen to before a loop is simulated or a pump is run.

/// In the order in which they are seen to.
pub(super) const LIST: &[&str] = &[
    "A loop in simulation moves whatever is controlled by it. Put the controllers that read this meter in manual, and \
     inhibit the alarms and trips that it feeds.",
    "Tell the people who run the plant, and whoever bills by this meter: simulated pulses count as volume there. Note the \
     receivers' totals before and after.",
    "Pumps start without warning on level or pressure. Where hands go in: isolate, lock, tag, and prove it dead. A stop on a \
     screen isolates nothing.",
    "Local codes and licensed practice decide who may open the panel and set the meter. Leave verification seals unbroken.",
];
