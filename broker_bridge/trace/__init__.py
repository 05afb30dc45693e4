"""Pure: what happened to a board. Facts in, frozen results out; no clock, no file, no model of the schema.

Every statement of a result carries the events it stands on and how sure it is (module belief). The same facts
give the same result in any order and however often one of them is repeated.

    belief        how sure a statement is, and what it stands on
    revisions     which facts still hold: of one raw record the highest complete revision
    mentions      whom a fact names, letter for letter, and what that ties together
    statements    a fact opened up: when it happened, whom it names
    knots         identifiers as a graph; what reaches what, and who else claims it
    identity      the one thing that was asked for: its names, and the panels and assemblies it is part of
    witnesses     where and when a statement saw the board
    visits        many witnesses, one visit
    route         visits in order, passes counted, two places at once, stations without a word
    inspections   many records, one inspection: calls, coverage, outcome
    reviews       verdicts joined to the calls they answer
    attempts      electrical tests, attempt by attempt
    defects       confirmed calls and what became of them
    gaps          what may be missing around the board
    history       all of it, put together
    plain         a result as plain JSON values
    schema        the JSON Schema of a history
"""
