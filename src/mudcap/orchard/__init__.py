"""The orchard as the program sees it: blocks, rows, drive rows, roads, water, and how one gets about in it."""
