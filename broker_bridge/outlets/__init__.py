"""Ways out of the record for plant systems, each a durable cursor over the store.

`base` is the seam, `cursor` the durable position, `courier` the loop that drives an outlet, `leaving` (pure) decides
what may leave; `registry` is the one table of outlet kinds.
"""
