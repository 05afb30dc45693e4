"""Pure: what happened to a board. Facts in, frozen results out; no clock, no file, no model of the schema.

Every statement of a result carries the events it stands on and how sure it is (module belief). The same facts
give the same result in any order and however often one of them is repeated.

    belief        how sure a statement is, and what it stands on
    revisions     which facts still hold: of one raw record the highest complete revision
    mentions      whom a fact names, letter for letter, and what that ties together
    statements    a fact opened up: when it happened, whom it names
    assertions    what persons state, and what of it stands
    knots         identifiers as a graph: which statements take which for one thing
    claims        whether an identifier means this board at a given time
    identity      the one thing that was asked for: its names, and the panels and assemblies it is part of
    witnesses     where and when a statement saw the board
    clocks        late messages and clocks that are wrong, as far as one board's statements show
    rivals        two transfer identifiers at once: one is another board's
    stays         many witnesses, one stay; two places at once
    visits        stays as they are told
    route         the declared process: stations without a word, stations it does not know
    loops         coming back to a station, and why
    magazines     stays in magazines, proven only while sealed
    genealogy     what it is part of and what is part of it, at any depth
    inspections   many records, one inspection: calls, coverage, outcome
    reviews       verdicts joined to the calls they answer
    attempts      electrical tests, attempt by attempt
    defects       calls across machines: review, rework, looked at again, escaped, left with
    gaps          what may be missing around the board
    unnamed       boards that a station saw and did not name, while it was on the line
    unjoined      what is said of single boards of its panel and cannot be joined to one
    corrections   what persons state against what was recorded
    decisions     holds, dispositions, rework, notes
    setups        what a station had set up by slot, and what was possible there meanwhile
    supply        where what was set up is found: some facts, or whoever reads a record
    life          floor life and shelf life, and use beyond them
    plans         what a program takes from where; which board of a panel got which parts
    uses          material and tools as they are told of a board
    working       one visit to a station that puts something on the board; skipped positions
    feeding       parts from slots at a visit
    paste         paste at a print: the last jar, and all that was not cleaned off
    materials     what a board carries and ever carried, and the tools that touched it
    whereabouts   where it is now
    recall        which boards something was used on: for sure, possibly, and what would decide
    levels        how complete it is, by the levels of IPC-1782
    readings      process values taken while it was at a station
    portrait      who it is
    findings      what does not go together
    history       all of it, put together
    references    a short name for every statement, and what it stands on
    value         frozen values that cost next to nothing to define
    plain         a result as plain JSON values
    schema        the JSON Schema of a history
"""
