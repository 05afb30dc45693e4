"""Every fault of the profile leaves a line in the truth, and something to see in the bytes."""

import gzip
import json
from collections import Counter, defaultdict
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from typing import Any

import pytest

from broker_bridge.simulate import Cut, Delivery, FileStep, Message, Plant, Profile, deliveries, parse_profile
from broker_bridge.simulate.model.reading import DUMMIES

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
Lines = dict[str, list[dict[str, Any]]]


@cache
def run(text: str, seed: int = 13, boards: int = 96) -> tuple[list[Delivery], Lines]:
    truth: Lines = defaultdict(list)
    plant = Plant(seed, boards, parse_profile(text, "test"), START)
    return list(deliveries(plant, lambda kind, line: truth[kind].append(json.loads(line)))), truth


def faults(truth: Lines, what: str) -> list[dict[str, Any]]:
    return [fault for fault in truth["fault"] if fault["what"] == what]


def files(taken: list[Delivery], station: str) -> list[Delivery]:
    return [d for d in taken if d.station == station and d.channel == "file"]


def log(taken: list[Delivery], station: str, name: str = "") -> bytes:
    return b"".join(
        d.data for d in taken if d.station == station and d.channel == "log" and name in ("", d.name)
    )


def read_codes(taken: list[Delivery], station: str = "SPI") -> list[str]:
    return [d.data.decode("cp1252").split("Panel;")[1].split("\r")[0] for d in files(taken, station)]


def panels_at(truth: Lines, station: str, **such: object) -> Counter[tuple[str, str]]:
    """(panel, arrived) of the stays at a station."""
    panel = {b["board"]: b["panel"] for b in truth["board"]}
    return Counter(
        {
            (panel[v["board"]], v["arrived"]): 1
            for v in truth["visit"]
            if v["station"] == station and all(v[key] == value for key, value in such.items())
        }
    )


def test_clean_injects_nothing() -> None:
    _, truth = run("[process]\nsplices = 0.0")
    assert truth["fault"] == []


def test_lost() -> None:
    taken, truth = run('[lost]\nrate = 0.2\nchannel = "files"\nstations = ["SPI"]')
    lost = faults(truth, "lost")
    assert lost
    assert {fault["where"] for fault in lost} == {"SPI"}
    assert len(files(taken, "SPI")) == len(panels_at(truth, "SPI")) - len(lost)
    gone = Counter(fault["panel"] for fault in lost)
    assert Counter(read_codes(taken)) + gone == Counter(p for p, _ in panels_at(truth, "SPI"))


def test_lost_messages() -> None:
    taken, truth = run('[lost]\nrate = 0.2\nchannel = "transfers"\nstations = ["JET"]')
    lost = faults(truth, "lost")
    assert lost
    assert all(fault["record"] == "Transfer" for fault in lost)
    said = sum(
        d.data.count(b"<BoardArrived") + d.data.count(b"<BoardDeparted") for d in taken if d.station == "JET"
    )
    assert said == 2 * len(panels_at(truth, "JET")) - len(lost)


def test_doubled() -> None:
    taken, truth = run('[doubled]\nrate = 0.2\nchannel = "files"\nstations = ["AOI", "PRINT"]')
    doubled = faults(truth, "doubled")
    by_station = Counter(fault["where"] for fault in doubled)
    assert by_station["AOI"]
    assert by_station["PRINT"]
    contents = Counter(d.data for d in files(taken, "AOI"))
    assert sum(count - 1 for count in contents.values()) == by_station["AOI"]
    assert len({d.name for d in files(taken, "AOI")}) == len(files(taken, "AOI"))  # saved under another name
    lines = Counter(log(taken, "PRINT").splitlines())
    assert sum(count - 1 for count in lines.values()) == by_station["PRINT"]


def test_disordered() -> None:
    taken, truth = run('[disordered]\nrate = 0.1\nstations = ["PRINT"]\nchannel = "files"')
    assert faults(truth, "disordered")
    times = [int(line.split()[0][3:]) for line in log(taken, "PRINT").splitlines()]
    falls = sum(a > b for a, b in pairwise(times))
    assert 0 < falls <= len(faults(truth, "disordered"))
    clean, _ = run("")
    assert Counter(log(taken, "PRINT").splitlines()) == Counter(log(clean, "PRINT").splitlines())


def test_delayed() -> None:
    taken, truth = run('[delayed]\nrate = 0.2\nseconds = 300.0\nstations = ["AOI"]\nchannel = "files"')
    delayed = faults(truth, "delayed")
    assert delayed
    late = {
        d.at
        - datetime.strptime(d.data.decode().splitlines()[1].split(",")[8], "%Y/%m/%d %H:%M:%S").replace(
            tzinfo=UTC
        )
        for d in files(taken, "AOI")
    }
    assert sum(delay > timedelta(seconds=1) for delay in late) >= len(delayed) * 0.8
    assert max(late) == pytest.approx(
        timedelta(seconds=max(f["seconds"] for f in delayed)), abs=timedelta(seconds=1.5)
    )


def test_clocks() -> None:
    text = """
        [[clock]]
        station = "PRINT"
        offset_s = -30.0
        drift_ppm = 1000.0
        [[clock]]
        station = "PRINT"
        step_s = 600.0
        step_at_s = 4000.0
    """
    taken, truth = run(text)
    clean, _ = run("")
    assert {f["what"] for f in truth["fault"] if f["where"] == "PRINT"} == {
        "clock_offset",
        "clock_drift",
        "clock_step",
    }
    (step,) = faults(truth, "clock_step")
    assert step["when"] == "2026-03-02T07:06:40.000Z"

    def stamps(deliveries: list[Delivery]) -> list[float]:
        return [int(line.split()[0][3:]) / 1000 for line in log(deliveries, "PRINT").splitlines()]

    seen_before, seen_after = False, False
    for wrong, right in zip(stamps(taken), stamps(clean), strict=True):
        passed = right - START.timestamp()
        stepped = 600.0 if passed >= 4000.0 else 0.0
        assert wrong - right == pytest.approx(-30.0 + passed * 0.001 + stepped, abs=0.01)
        seen_before, seen_after = seen_before or not stepped, seen_after or bool(stepped)
    assert seen_before
    assert seen_after
    hermes = [d.data.split(b'"')[1] for d in taken if d.station == "PRINT" and d.channel == "transfer"]
    assert hermes[0] == b"2026-03-02T05:59:30.000"  # the same clock stamps its messages


def test_unread_stale_and_dummy_codes() -> None:
    for kind in ("unread", "stale", "dummy"):
        taken, truth = run(f'[barcode]\n{kind} = 0.25\nstations = ["SPI"]')
        found = faults(truth, f"barcode_{kind}")
        assert found
        assert {fault["where"] for fault in found} == {"SPI"}
        right = Counter(panel for panel, _ in panels_at(truth, "SPI"))
        wrong = Counter(read_codes(taken)) - right
        if kind == "unread":
            assert wrong == Counter({"NOREAD": len(found)})
            assert all(fault["said"] is None for fault in found)
        elif kind == "dummy":
            assert sum(wrong.values()) == len(found)
            assert set(wrong) <= set(DUMMIES)
        else:
            assert set(wrong) <= set(right)
            assert all(fault["said"] != fault["code"] for fault in found)


def test_typed_codes() -> None:
    taken, truth = run('[barcode]\ntyped = 0.3\nstations = ["TEST"]')
    typed = faults(truth, "barcode_typed")
    assert typed
    serials = {b["board"] for b in truth["board"]}
    said = Counter(d.data.split(b"Serial=")[1].split(b"\r")[0].decode() for d in files(taken, "TEST"))
    for fault in typed:
        assert sum(a != b for a, b in zip(fault["code"], fault["said"], strict=True)) == 1
        assert said[fault["said"]]
    assert sum(count for code, count in said.items() if code not in serials) <= len(typed)


def test_half_written_then_completed() -> None:
    plant = Plant(13, 96, parse_profile("[files]\nhalf_written = 0.2", "test"), START)
    steps = [item for item in plant if isinstance(item, FileStep)]
    halves = [step for step in steps if not step.complete]
    taken, truth = run("[files]\nhalf_written = 0.2")
    clean, _ = run("")
    found = faults(truth, "half_written")
    assert len(halves) == len(found) > 20
    assert {fault["file"] for fault in found} == {half.name for half in halves}
    assert {half.growing for half in halves} == {True, False}
    for station in ("SPI", "AOI", "TEST"):
        assert {d.name: d.data for d in files(taken, station)} == {
            d.name: d.data for d in files(clean, station)
        }
    for station in ("PRINT", "PLACE1", "LOAD", "OVEN"):
        assert log(taken, station) == log(clean, station)
    assert any(d.channel == "log" and not d.data.endswith(b"\n") for d in taken)


def test_dropped_again_renamed_and_packed() -> None:
    clean, _ = run("")
    original = {d.name: d.data for d in files(clean, "SPI")}
    taken, truth = run('[files]\nredropped = 0.3\nstations = ["SPI"]')
    again = Counter(d.name for d in files(taken, "SPI"))
    found = faults(truth, "redropped")
    assert found
    assert Counter(fault["file"] for fault in found) == Counter({n: c - 1 for n, c in again.items() if c > 1})

    taken, truth = run('[files]\nrenamed = 0.3\nstations = ["SPI"]')
    found = faults(truth, "renamed")
    assert found
    now = {d.name: d.data for d in files(taken, "SPI")}
    for fault in found:
        assert now[fault["target"]] == original[fault["file"]]

    taken, truth = run('[files]\ngzipped = 0.3\nstations = ["SPI"]')
    found = faults(truth, "gzipped")
    assert found
    packed = [d for d in files(taken, "SPI") if d.name.endswith(".gz")]
    assert {d.name for d in packed} == {fault["file"] + ".gz" for fault in found}
    assert all(gzip.decompress(d.data) == original[d.name[:-3]] for d in packed)


@pytest.mark.parametrize("rotation", ["rename", "copy-truncate"])
def test_rotated(rotation: str) -> None:
    text = f'[files]\nrotate_after = 20\nrotation = "{rotation}"\nstations = ["LOAD"]'
    taken, truth = run(text)
    clean, _ = run("")
    found = faults(truth, "rotated")
    assert found
    assert {fault["target"] for fault in found} == {f"marker.csv.{n}" for n in range(1, len(found) + 1)}
    parts: dict[int, bytes] = defaultdict(bytes)
    for delivery in taken:
        if delivery.station == "LOAD" and delivery.channel == "log":
            parts[delivery.generation] += delivery.data
    assert sorted(parts) == list(range(1, len(found) + 2))
    heading, whole = log(clean, "LOAD").split(b"\r\n", 1)
    assert all(part.startswith(heading) for part in parts.values())
    assert b"".join(part.split(b"\r\n", 1)[1] for _, part in sorted(parts.items())) == whole
    operations = [
        step.operation
        for step in Plant(13, 96, parse_profile(text, "test"), START)
        if isinstance(step, FileStep) and step.station == "LOAD" and step.operation != "append"
    ]
    expected = ["rename"] if rotation == "rename" else ["copy", "truncate"]
    assert operations == expected * len(found)


def test_connections_cut() -> None:
    text = '[connections]\ncuts_per_hour = 20.0\noutage_s = 120.0\nstations = ["JET", "AOI"]'
    taken, truth = run(text)
    cuts = [item for item in Plant(13, 96, parse_profile(text, "test"), START) if isinstance(item, Cut)]
    found = faults(truth, "connection_cut")
    assert len(found) == len(cuts) > 5
    assert {cut.station for cut in cuts} == {"JET", "AOI"}
    for station in ("JET", "AOI"):
        own = [d for d in taken if d.station == station and d.channel == "transfer"]
        assert max(d.generation for d in own) > 1
        firsts = {d.generation: d for d in reversed(own)}
        assert all(b"SupervisoryServiceDescription" in d.data for d in firsts.values())
        outages = [(f["when"], f["until"]) for f in found if f["where"] == station]
        for delivery in own:
            stamp = delivery.at.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"
            assert not any(begin < stamp < end for begin, end in outages)
    said = sum(b"<Board" in d.data for d in taken if d.station == "JET")
    assert said < 2 * len(panels_at(truth, "JET"))  # what was said in an outage is gone


def test_removed_and_put_back_by_hand() -> None:
    taken, truth = run("[handling]\nremoved = 0.1")
    removed = faults(truth, "removed_by_hand")
    assert len(removed) > 5
    text = b"".join(d.data for d in taken if d.channel == "transfer" and d.station not in ("REVIEW", "TEST"))
    departed = [m for m in text.split(b"</Hermes>") if b"<BoardDeparted" in m and b'BoardTransfer="3"' in m]
    arrived = [m for m in text.split(b"</Hermes>") if b"<BoardArrived" in m and b'BoardTransfer="3"' in m]
    assert len(departed) == len(removed)
    assert arrived
    assert all(b"SubBoards" not in m for m in arrived)  # nobody passed them on
    scrapped = {b["panel"] for b in truth["board"] for d in truth["disposition"] if d["board"] == b["board"]}
    one_further = {("PRINT", "JET"), ("SPI", "PLACE1")}
    assert any((fault["where"], fault["put_in_at"]) in one_further for fault in removed)
    panel = {b["board"]: b["panel"] for b in truth["board"]}
    for fault in removed:
        later = [
            v for v in truth["visit"] if panel[v["board"]] == fault["panel"] and v["arrived"] > fault["when"]
        ]
        stations = [v["station"] for v in sorted(later, key=lambda visit: visit["arrived"])[:1]]
        assert stations == [fault["put_in_at"]] or fault["panel"] in scrapped


def test_turned() -> None:
    taken, truth = run("[handling]\nturned = 0.3")
    turned = {(f["panel"], f["when"]) for f in faults(truth, "turned")}
    assert turned
    far = 0
    for delivery in files(taken, "AOI"):
        head = delivery.data.decode().splitlines()[1].split(",")
        far += float(head[10]) > 50
    assert far == len(turned)


def test_skipped_positions() -> None:
    taken, truth = run("[handling]\nskipped_positions = 0.1")
    skipped = faults(truth, "skipped_position")
    assert skipped
    boards = {(b["panel"], b["position"]): b for b in truth["board"]}
    with_parts = {m["board"] for m in truth["material"]}
    for fault in skipped:
        board = boards[fault["panel"], fault["position"]]
        assert board["purpose"] == "skipped"
        assert board["board"] not in with_parts
        assert not any(i["kind"] == "serial" for i in board["identifiers"])
    assert log(taken, "LOAD").count(b",SKIP,") == len(skipped)
    assert sum(d.data.count(b";SKIP;") for d in files(taken, "SPI")) >= 2 * len(skipped)
    lines = [json.loads(line) for line in log(taken, "PLACE1").splitlines()]
    assert sum(b["skipped"] for line in lines if line["rec"] == "panel" for b in line["boards"]) >= len(
        skipped
    )


def test_bypassed_and_sampled() -> None:
    taken, truth = run("[inspection]\nbypassed = 0.2")
    bypassed = faults(truth, "bypassed")
    assert bypassed
    assert len(panels_at(truth, "AOI", outcome="bypassed")) == len(bypassed)
    assert len(files(taken, "AOI")) == len(panels_at(truth, "AOI")) - len(bypassed)

    taken, truth = run("[inspection]\nsampled_every = 4")
    sampled = faults(truth, "sampled_out")
    assert sampled
    assert len(panels_at(truth, "SPI", outcome="not_inspected")) == len(sampled)
    assert sum(b"Mode;SAMPLED OUT" in d.data for d in files(taken, "SPI")) == len(sampled)
    assert all(b"BOARD;" not in d.data for d in files(taken, "SPI") if b"SAMPLED OUT" in d.data)


def test_lot_split() -> None:
    taken, truth = run("[material]\nlot_split = 1.0", boards=300)
    split = {f["reel"]: f for f in faults(truth, "lot_split")}
    lots = defaultdict(set)
    for material in truth["material"]:
        if material["station"] in ("PLACE1", "PLACE2"):
            lots[material["reel"]].add(material["lot"])
    mixed = {reel for reel, own in lots.items() if len(own) == 2}
    assert mixed
    assert mixed <= set(split)
    said = defaultdict(set)
    for line in (json.loads(line) for line in log(taken, "PLACE1").splitlines()):
        for feed in line.get("feeds", []):
            said[feed["reel"]].add(feed["lot"])
    for reel, labels in said.items():
        assert labels == {split[reel]["label_lot"]}  # the machine knows the label


def test_unproven_setup() -> None:
    taken, truth = run("[material]\nunproven_setup = 0.5")
    unproven = faults(truth, "unproven_setup")
    assert unproven
    lines = [json.loads(line) for s in ("PLACE1", "PLACE2") for line in log(taken, s).splitlines()]
    unknown = [
        line for line in lines if line["rec"] == "reel" and line["event"] == "set_up" and not line["verified"]
    ]
    assert Counter((line["slot"], line["item"]) for line in unknown) == Counter(
        (fault["slot"], fault["item"]) for fault in unproven
    )
    assert all(line["reel"] is None and line["lot"] is None for line in unknown)
    assert {m["reel"] for m in truth["material"]} & {fault["reel"] for fault in unproven}


def test_splice() -> None:
    taken, truth = run("[process]\nsplices = 1.0", boards=300)
    spliced = faults(truth, "splice")
    assert spliced
    lines = [json.loads(line) for s in ("PLACE1", "PLACE2") for line in log(taken, s).splitlines()]
    events = [line for line in lines if line["rec"] == "reel" and line["event"] == "spliced"]
    assert Counter(line["reel"] for line in events) == Counter(fault["reel"] for fault in spliced)
    assert all(fault["left"] > 0 for fault in spliced)  # told before the joint comes


def test_wash_and_reprint() -> None:
    taken, truth = run("[printing]\nwash_reprint = 0.2")
    washed = faults(truth, "wash_reprint")
    assert washed
    again = [v for v in truth["visit"] if v["station"] == "PRINT" and v["pass"] == 2]
    panel = {b["board"]: b["panel"] for b in truth["board"]}
    reprinted = {panel[v["board"]] for v in again}
    scrapped = {panel[d["board"]] for d in truth["disposition"]}
    assert {fault["panel"] for fault in washed} <= reprinted | scrapped
    assert reprinted
    prints = [line.split()[2] for line in log(taken, "PRINT").decode().splitlines() if "ev=PRINT" in line]
    bottom = {p: prints.count(f"panel={p}") for p in reprinted}
    assert all(count >= 2 for count in bottom.values())


def test_reference_boards() -> None:
    taken, truth = run("[verification]\nreference_every = 8")
    verified = faults(truth, "reference_board")
    assert len(verified) > 2
    reference = {b["board"] for b in truth["board"] if b["purpose"] == "reference"}
    assert reference
    assert {v["station"] for v in truth["visit"] if v["board"] in reference} == {"AOI"}
    seen = [d for d in files(taken, "AOI") if d.data.splitlines()[1].split(b",")[3].startswith(b"REF-")]
    assert len(seen) == len(verified)
    found = [c for c in truth["call"] if c["board"] in reference and c["real"]]
    assert len(found) >= 2 * len(verified) - 3


def test_retest() -> None:
    taken, truth = run("[testing]\nretest = 0.3")
    retested = faults(truth, "retest")
    assert retested
    results = defaultdict(list)
    for delivery in files(taken, "TEST"):
        text = delivery.data.decode()
        results[text.split("Serial=")[1].split("\r")[0]].append(text.split("Result=")[1].split("\r")[0])
    for fault in retested:
        assert results[fault["board"]][:2] == ["FAIL", "PASS"]


def test_program_edited_under_its_name() -> None:
    taken, truth = run("[programs]\nedited = 1.0", boards=200)
    edited = faults(truth, "program_edited")
    by_station = Counter(fault["where"] for fault in edited)
    assert by_station["SPI"]
    assert by_station["AOI"]
    limits = defaultdict(set)
    for delivery in files(taken, "SPI"):
        head = dict(
            line.split(";", 1) for line in delivery.data.decode("cp1252").split("\r\n\r\n")[0].split("\r\n")
        )
        limits[head["Recipe"]].add(head["Low_%"])
    for fault in edited:
        if fault["where"] == "SPI":
            assert limits[fault["program"]] == {"50,0", "40,0"}
        else:
            marker = f",{fault['left_out']},OUT,"
            with_gap = {
                marker in d.data.decode() for d in files(taken, "AOI") if fault["program"] in d.data.decode()
            }
            assert with_gap == {True, False}


def test_late_reviews() -> None:
    _, truth = run("[process]\nlate_reviews = 1.0")
    calls = {(c["board"], c["designator"]): c["at"] for c in truth["call"] if c["station"] == "AOI"}
    assert truth["review"]
    for review in truth["review"]:
        called = datetime.fromisoformat(calls[review["board"], review["designator"]])
        assert datetime.fromisoformat(review["at"]) - called > timedelta(hours=4)


def test_every_key_of_the_profile_has_a_fault_line_in_rough() -> None:
    """A long rough run shows every kind of fault at least once."""
    kinds: set[str] = set()
    plant = Plant(2, 900, "rough", START)
    for _ in deliveries(
        plant, lambda kind, line: kinds.add(json.loads(line)["what"]) if kind == "fault" else None
    ):
        pass
    assert kinds == {
        "lost", "doubled", "disordered", "delayed", "clock_offset", "clock_drift", "clock_step",
        "barcode_unread", "barcode_stale", "barcode_typed", "barcode_dummy",
        "half_written", "redropped", "renamed", "gzipped", "rotated", "connection_cut",
        "removed_by_hand", "turned", "skipped_position", "bypassed", "lot_split", "unproven_setup", "splice",
        "wash_reprint", "reference_board", "retest", "program_edited",
    }  # fmt: skip


def test_exported_again_with_other_line_ends() -> None:
    taken, truth = run("[files]\nexported_again = 0.3")
    exported = faults(truth, "exported_again")
    assert exported
    content = {(d.station, d.name): d.data for d in taken if d.channel == "file"}
    for fault in exported:
        first, again = content[fault["where"], fault["file"]], content[fault["where"], fault["target"]]
        assert first != again
        assert first.splitlines() == again.splitlines()


def test_a_lost_skip_list_makes_bare_boards_look_bad() -> None:
    taken, truth = run("[handling]\nskipped_positions = 0.2\nskip_list_lost = 0.5")
    lost = faults(truth, "skip_list_lost")
    assert lost
    skipped = Counter(fault["panel"] for fault in faults(truth, "skipped_position"))
    panels = {fault["panel"] for fault in lost}
    assert panels <= set(skipped)
    without = [
        d.data.decode() for d in files(taken, "AOI")
        if ",SKIP," not in d.data.decode() and d.data.decode().splitlines()[1].split(",")[3] in panels
    ]  # fmt: skip
    assert len(without) == len(lost)
    assert all(",NG,MISS," in text for text in without)
    crossed_out = {b["board"] for b in truth["board"] if b["purpose"] == "skipped"}
    assert not crossed_out & {c["board"] for c in truth["call"]}


def test_a_late_label_leaves_the_first_side_without_a_code() -> None:
    taken, truth = run("[barcode]\nlate_label = 0.3")
    late = {fault["panel"] for fault in faults(truth, "late_label")}
    assert late
    rows = [line.split(",") for line in log(taken, "LOAD").decode("utf-8-sig").splitlines()[1:]]
    bottom = {row[2] for row in rows if row[5] == "B"}
    engraved = {row[2] for row in rows if row[5] == "T" and row[11]}
    assert not late & bottom
    assert late <= engraved
    codes = Counter(read_codes(taken))
    assert codes["NOREAD"] >= len(late)


def test_one_item_on_two_slots() -> None:
    taken, truth = run("[material]\ntwo_slots = 1.0")
    assert faults(truth, "two_slots")
    fed = defaultdict(set)
    places = defaultdict(list)
    for entry in truth["material"]:
        if entry["slot"] is not None:
            fed[entry["station"], entry["side"], entry["item"], entry["board"]].add(entry["slot"])
            places[entry["board"], entry["side"], entry["at"]] += entry["designators"]
    assert max(map(len, fed.values())) == 2
    assert all(len(set(names)) == len(names) for names in places.values())
    programs = [json.loads(line) for line in log(taken, "PLACE1").splitlines() if b'"program"' in line[:40]]
    slots = {feeder["slot"] for program in programs for feeder in program.get("feeders", ())}
    assert any(int(slot) > 40 for slot in slots)


def test_magazines_that_were_changed_without_a_word() -> None:
    taken, truth = run("[handling]\nmagazine_swaps = 1.0", boards=400)
    swapped = faults(truth, "magazine_swapped")
    assert swapped
    said = b"".join(d.data for d in taken if d.channel == "transfer" and d.station == "AOI").decode()
    for fault in swapped:
        assert fault["magazine"] != fault["stated"]
    assert {fault["stated"] for fault in swapped} <= {
        f"MAG-{n:02d}" for n in range(1, 41) if f"MAG-{n:02d}" in said
    }


def test_split_orders() -> None:
    _, truth = run("[orders]\nsplit = 1.0", boards=300)
    split = faults(truth, "order_split")
    assert split
    orders = Counter(b["work_order"] for b in truth["board"])
    for fault in split:
        assert fault["work_order"] == f"{fault['split_from']}-2"
        assert orders[fault["work_order"]]
        assert orders[fault["split_from"]]


def test_plant_life_shows_every_habit() -> None:
    kinds: set[str] = set()
    plant = Plant(3, 900, "plant_life", START)
    for _ in deliveries(
        plant, lambda kind, line: kinds.add(json.loads(line)["what"]) if kind == "fault" else None
    ):
        pass
    assert kinds == {
        "barcode_unread", "barcode_stale", "barcode_typed", "barcode_dummy", "late_label", "redropped", "renamed",
        "exported_again", "removed_by_hand", "turned", "skipped_position", "skip_list_lost", "magazine_swapped",
        "bypassed", "lot_split", "unproven_setup", "two_slots", "splice", "wash_reprint", "reference_board", "retest",
        "program_edited", "order_split", "sampled_out",
    }  # fmt: skip


def test_materials_of_a_splice_are_exact() -> None:
    """Which reel fed which designator of which board, over the joint: parts used per reel add up, board by board."""
    _, truth = run("[process]\nsplices = 1.0", boards=300)
    reels = defaultdict(set)
    for entry in truth["material"]:
        for designator in entry["designators"]:
            if entry["station"].startswith("PLACE"):
                reels[entry["board"], entry["side"], designator].add(entry["reel"])
    assert all(len(found) == 1 for found in reels.values())
    joints = {fault["reel"] for fault in faults(truth, "splice")}
    used = {reel for found in reels.values() for reel in found}
    assert joints & used
    boards = defaultdict(set)
    for (board, side, _), (reel,) in ((key, tuple(found)) for key, found in reels.items()):
        boards[reel].add((board, side))
    shared = [reel for reel in joints & used if any(boards[reel] & boards[other] for other in used - {reel})]
    assert shared  # in the middle of a board both reels fed it


def test_a_fault_more_leaves_all_other_luck_as_it_was() -> None:
    base = Profile()
    with_retests = replace(base, testing=replace(base.testing, retest=0.3))
    outcomes = []
    for profile in (base, with_retests):
        messages = [item for item in Plant(9, 48, profile, START) if isinstance(item, Message)]
        outcomes.append([m.data for m in messages if m.station not in ("TEST", "REVIEW")])
    assert outcomes[0] == outcomes[1]
