"""Broker Bridge: what the machines of a circuit-board line say, as one record the plant can trust.

The map, floor by floor (a module imports only from floors below it):

    errors      what can go wrong, by what the catcher does
    events      the schema: every event type, its envelope and its identity
    trace       pure: what happened to a board
    config, db  settings; the one way SQLite is opened and migrated
    adapters    one folder a source: protocol, mapping, adapter
    bus         topics, wire format, the MQTT client, the embedded broker
    store       the events as received
    edge        outbox, forwarder, archive, supervisor
    recorder    validate, commit, acknowledge, receipt
    projector   keeps the index of the record up to date
    queries     the one reader
    bootstrap   settings to running objects
    cli         one module a command
"""
