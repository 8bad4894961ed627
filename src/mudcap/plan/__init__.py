"""One plan from an orchard, its options and its edits: the one place that knows the order of the steps."""
