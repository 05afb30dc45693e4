"""How a page reads a file: as the adapter's mapping states it."""

from pathlib import Path

import pytest
from chain import Chain

from broker_bridge.config import FilesAdapter
from broker_bridge.web.pages.mapping_trial import layout
from broker_bridge.web.pages.raw_place import Layout


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("", "", Layout("utf-8", ";")),
        ('"utf-8"', '"cp1252"', Layout("cp1252", ";")),
        ('delimiter = ";"', 'delimiter = "blanks"', Layout("utf-8", None)),
        ('kind = "delimited"', 'kind = "no such"', Layout()),
    ],
)
def test_a_page_reads_a_file_as_its_mapping_does(tmp_path: Path, old: str, new: str, told: Layout) -> None:
    chain = Chain(tmp_path)
    text = chain.mapping.read_text(encoding="utf-8")
    chain.mapping.write_text(text.replace(old, new, 1) if old else text, encoding="utf-8")
    (adapter,) = chain.settings.adapters
    assert isinstance(adapter, FilesAdapter)
    assert layout(adapter) == told
