"""Pure: what many boards say together. Columns in, frozen results out; no file, no clock, no chance without a seed.

A function takes plain sequences or numpy arrays, one entry a row, and the rows' keys; its answer holds the denominator, an
interval and the keys behind each number. Where data are too few the answer is `intervals.Refused`, a value with its
reason; a call that makes no sense raises UsageError.

    columns           what callers hand in
    distributions     tail probabilities and quantiles
    intervals         how sure a number is; the refusal
    comparisons       exact tests, ratios, many tests at once
    yields            first pass, rolled throughput
    dpmo              defects per million opportunities (IPC-9261A, IPC-7912A)
    pareto            categories by weight
    calls             false calls, escapes, agreement
    chart_constants   d2, c4 and their kin
    run_rules         Western Electric's and Nelson's
    control_charts    individuals, X-bar, p, np, c, u
    weighted_charts   EWMA, CUSUM, run lengths
    normality         Anderson and Darling's test
    capability        Cp, Cpk, Cpm, Pp, Ppk, percentiles
    apertures         area ratio, transfer efficiency (IPC-7525)
    paste             pad statistics, stroke, drift
    print_offset      shift, rotation, stretch of a whole print
    stencil           wear, cleaning
    occurrence        where defects came to be; control group
    risks             relative risks of reels, nozzles, positions, bands
    top_up            what topping up paste does
    flow              stations and lines: cycle, starved, blocked, Little's law
    line_balance      bottleneck, balance, what a faster station gains
    station_time      SEMI E10's states, failures, alarms
    effectiveness     OEE by ISO 22400-2 or SEMI E79
    gauge             gauge R&R
"""
