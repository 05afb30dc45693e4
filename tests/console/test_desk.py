"""Keys in, choices out."""

from looking import view
from told import LINE, Told, at

from broker_bridge.console.desk import Desk
from broker_bridge.live.choice import Choice

PLACES = [(LINE, "spi"), (LINE, "aoi"), ("/harbour/smt/line-2", "spi")]


def pressed(*typed: str, desk: Desk | None = None) -> Desk:
    desk = desk or Desk(Choice(type="board.*"))
    for key in typed:
        desk.press(key, places=PLACES, alarms=(), now=at("12:00:00"))
    return desk


def test_stations_go_round_and_back() -> None:
    seen = [pressed(*"n" * times).choice.station for times in range(4)]
    assert seen == [None, "spi", "aoi", None]
    assert pressed("N").choice.station == "aoi"
    assert pressed("n", "0").choice == Choice(type="board.*")
    assert pressed("n", "escape").choice.station is None


def test_lines_go_round_and_stations_stay_in_them() -> None:
    assert [pressed(*"l" * times).choice.line for times in range(4)] == [None, "line-1", "line-2", None]
    assert [pressed("l", "l", *"n" * times).choice.station for times in (1, 2)] == ["spi", None]


def test_pages_open_and_close() -> None:
    assert [pressed("o").page, pressed("o", "o").page, pressed("o", "?").page] == ["sources", "line", "keys"]
    assert pressed("?", "n").page == "line", "a chosen station is shown at once"


def test_pausing_and_going_on() -> None:
    assert pressed("p").paused == at("12:00:00")
    assert pressed("space", "p").paused is None


def test_scrolling_stays_at_the_top() -> None:
    assert pressed("down", "page down", "up").offset == 10
    assert pressed("down", "page up").offset == 0
    assert pressed("down", "home").offset == 0


def test_alarms_on_the_screen_are_seen() -> None:
    said = Told()
    said.say("station.alarm_raised", "11:00:00", station="a", code="1")
    alarms = view(said.facts).alarms
    desk = Desk(Choice())
    desk.press("a", places=PLACES, alarms=alarms, now=at("12:00:00"))
    assert desk.seen == {alarms[0].id}


def test_quit_and_keys_that_mean_nothing() -> None:
    assert pressed("q").quit
    assert pressed("x", "Q", "end") == Desk(Choice(type="board.*"))
