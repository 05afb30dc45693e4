"""Harbour Works: an invented board line that really runs, and the truth about it.

Nothing here knows the rest of the package. Machines write files in dialects of their own and speak the vertical channel
of IPC-HERMES-9852; what really happened goes to truth.jsonl from the model's own state.

    Plant(seed, boards, profile, start)   one run, as a stream: iterate it, or give it to a drive
    deliveries(plant, on_truth)           virtual time, full speed: bytes in the order in which a reader takes them in
    LivePlant(plant, files, truth)        real time: files in folders, the vertical channel on sockets of 127.0.0.1
    load_profile(name or path)            a fault profile: clean, rough, plant_life, causes, or a TOML file
    plan(valid_from)                      the line and its parts as the plant's planning would export them: a file PLAN_NAME

Specifications: the dialects in the docstrings of `writers`, the numbering of positions in `positions`, the truth in
`model.truth`, the fault profile in `profile`, the stations in `stations`, the products in `products`.

Map:    products, positions, stations   what is fixed
        profile, clocks                 what is to go wrong; how each machine's clock runs
        model/                          what happens: pure, in seconds of plant time
        faults/                         what goes wrong with records, files and connections
        writers/, peers/                how it is put into bytes
        plant                           all of it in one stream
        virtual, live                   the two drives
"""

from broker_bridge.simulate.faults.connections import Cut
from broker_bridge.simulate.faults.files import FileStep
from broker_bridge.simulate.live import LivePlant
from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.plant import Message, Output, Plant
from broker_bridge.simulate.positions import numbering
from broker_bridge.simulate.products import PARTS, Part
from broker_bridge.simulate.profile import Profile, load_profile, parse_profile
from broker_bridge.simulate.stations import AREA, LINE, SITE, STATIONS
from broker_bridge.simulate.virtual import Delivery, deliveries
from broker_bridge.simulate.writers.plan import NAME as PLAN_NAME
from broker_bridge.simulate.writers.plan import plan

__all__ = [
    "AREA",
    "LINE",
    "PARTS",
    "PLAN_NAME",
    "SITE",
    "STATIONS",
    "Cut",
    "Delivery",
    "FileStep",
    "LivePlant",
    "Message",
    "Output",
    "Part",
    "Plant",
    "Profile",
    "Truth",
    "deliveries",
    "load_profile",
    "numbering",
    "parse_profile",
    "plan",
]
