"""Power cuts everywhere: the explorer of what a store keeps when the power goes.

A C harness, compiled with the person's tables and the unmodified runtime, does the inner loop (see
`harness/explore.h`); this package builds it, shares the work out and tells what came of it. Must
not hold store logic: what a store must keep is in `harness/oracle.c` and nowhere else but
`replay`, which judges single histories a second time.
"""
