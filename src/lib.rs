//! tallywell cross-checks the three witnesses of one flow.
