"""Code readers, and what goes wrong with them."""

from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.stations import TYPED_BY_HAND

DUMMIES = ("0000000000", "9999999999", "TESTCODE")


class Reader:
    """The code reader of one station."""

    def __init__(self, shop: Shop, station: str) -> None:
        self._shop = shop
        self._station = station
        self._chance = shop.chance(f"reader {station}")
        self._previous: str | None = None
        faults = shop.profile.barcode
        self._active = not faults.stations or station in faults.stations
        self._by_hand = station in TYPED_BY_HAND

    def read(self, code: str, panel: str) -> str | None:
        """What the station takes the code to be. None: not read. `panel` is the true panel, for the truth."""
        faults = self._shop.profile.barcode
        previous, self._previous = self._previous, code
        luck = self._chance.random()
        if not self._active:
            return code
        if luck < faults.unread:
            return self._wrong("barcode_unread", panel, code, None)
        luck -= faults.unread
        if luck < faults.dummy:
            return self._wrong("barcode_dummy", panel, code, self._chance.choice(DUMMIES))
        luck -= faults.dummy
        if luck < faults.stale:
            if previous is None or previous == code:
                return code
            return self._wrong("barcode_stale", panel, code, previous)
        luck -= faults.stale
        if self._by_hand and luck < faults.typed:
            return self._wrong("barcode_typed", panel, code, self._slip(code))
        return code

    def _slip(self, code: str) -> str:
        """The code with one digit mistyped."""
        digits = [i for i, character in enumerate(code) if character.isdigit()]
        at = self._chance.choice(digits)
        wrong = str((int(code[at]) + self._chance.randint(1, 9)) % 10)
        return code[:at] + wrong + code[at + 1 :]

    def _wrong(self, what: str, panel: str, code: str, said: str | None) -> str | None:
        self._shop.fault(what, self._station, panel, code=code, said=said)
        return said
