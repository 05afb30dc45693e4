"""Sources: how each is, what could not be used, and reading it again."""

import re
from datetime import UTC, datetime
from typing import Annotated, Final

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData, UploadFile
from starlette.responses import HTMLResponse, Response

from broker_bridge.config import AssertionsAdapter, FilesAdapter, Settings, TransferAdapter
from broker_bridge.edge.survey import holdings
from broker_bridge.errors import NotFound, StoreError, UsageError
from broker_bridge.live.hearing import Hearing, kept_by_the_record
from broker_bridge.queries.acting import edge_needed, reason
from broker_bridge.queries.quarantine import kept, one
from broker_bridge.queries.raw_bytes import file_of, raw_of
from broker_bridge.queries.retrying import of_keys, of_source, retry
from broker_bridge.web.pages.frame import page, served
from broker_bridge.web.pages.mapping_trial import layout, trial
from broker_bridge.web.pages.raw_place import Layout, raw_view
from broker_bridge.web.pages.sign import Acting, Form, field
from broker_bridge.web.pages.source_view import Adapter, Held, sources_view
from broker_bridge.web.pages.station_view import PageClock
from broker_bridge.web.problems import Problem
from broker_bridge.web.site import Here, Reader, Reading, Site
from broker_bridge.web.sources import hear, last_words, sources, states_of

router = APIRouter()

PATIENCE_S = 10.0

_REFUSED: Final = re.compile(r"is not ([a-z0-9_-]{1,20}): ")
"""The encoding that does not fit, in the reason of a refusal with the code `encoding`."""

Key = Annotated[str, Path(pattern=r"^[rp][0-9]{1,18}$")]


@router.get("/sources")
def listed(request: Request, site: Here, record: Reading, user: Reader) -> Response:
    """One row each, and the quarantine."""
    clock = site.stations.clock(PageClock)
    hearing = Hearing()
    hear(hearing, last_words(states_of(record)))
    view = sources_view(
        sources(record, site.stations.heard(), clock.now), _adapters(site.settings), _held(site.settings), kept(record),
        clock, site.stations.looked_from, hearing.troubles(kept_by_the_record(), clock),
    )  # fmt: skip
    return served(request, "sources.html", view=view, local=site.settings is not None, as_of=record.as_of())


@router.get("/sources/rejected/{key}")
def rejected(request: Request, site: Here, record: Reading, user: Reader, key: Key) -> Response:
    """One thing in quarantine, the place marked in its raw bytes."""
    item = one(record, key)
    # What only the archive holds may name persons; that is for those who may act.
    raw = raw_of(item, site.settings if user.may("operate") else None)
    adapter = _files_adapter(site.settings, item.source)
    refused = _REFUSED.match(item.reason) if item.code == "encoding" else None
    read = Layout(refused[1]) if refused else Layout() if adapter is None else layout(adapter)
    view = None if raw is None else raw_view(raw, item.place, item.value, first=item.line, layout=read)
    tries = adapter is not None and item.archived is not None
    return served(
        request, "rejected.html", item=item, view=view, tries=tries, local=site.settings is not None
    )


@router.post("/sources/rejected/{key}/preview")
def tried(request: Request, site: Here, record: Reading, user: Acting, sent: Form, key: Key) -> Response:
    """What the mapping as it is now makes of the file it stands in."""
    item = one(record, key)
    settings = _settings(site)
    adapter = _files_adapter(settings, item.source)
    raw = file_of(item, settings)
    if adapter is None or raw is None:
        raise NotFound(f"the file that {key} stands in is not in the archive of this machine")
    name = item.rawname or "file"
    return _told(request, adapter, name, raw, back=f"/sources/rejected/{key}")


@router.post("/sources/preview")
def preview(request: Request, site: Here, user: Acting, sent: Form) -> Response:
    """What an adapter's mapping makes of a file that somebody gives."""
    source = field(sent, "source")
    adapter = _files_adapter(_settings(site), source)
    if adapter is None:
        raise UsageError(f"{source!r} has no mapping in this configuration")
    name, raw = _file(sent)
    return _told(request, adapter, name, raw, back="/sources#preview")


@router.post("/sources/retry")
def again(request: Request, site: Here, record: Reading, user: Acting, sent: Form) -> Response:
    """Read again what was rejected, with the mapping as it is now."""
    key, source = field(sent, "key"), field(sent, "source")
    settings = _settings(site)
    why = reason(field(sent, "why", 2000))
    wanted = of_keys(record, [key]) if key else of_source(source or None)
    edge_needed(settings)
    answers = retry(settings, wanted, PATIENCE_S, who=user.name, why=why)
    return HTMLResponse(page(request, "retried.html", answers=answers))


def _told(request: Request, adapter: FilesAdapter, name: str, raw: bytes, back: str) -> Response:
    lines = trial(adapter, name, raw, datetime.now(UTC))
    shown = page(request, "preview.html", name=name, mapping=adapter.mapping.name, lines=lines, back=back)
    return HTMLResponse(shown)


def _file(sent: FormData) -> tuple[str, bytes]:
    """A file that was sent. Raises UsageError."""
    file = sent.get("file")
    if not isinstance(file, UploadFile) or not file.filename:
        raise UsageError("choose a file first")
    return file.filename, file.file.read()


def _settings(site: Site) -> Settings:
    if site.settings is None:
        raise Problem(
            409,
            "this service was started on a record alone: that needs the plant's configuration and its edge",
        )
    return site.settings


def _adapters(settings: Settings | None) -> list[Adapter]:
    found: list[Adapter] = []
    for adapter in settings.adapters if settings else ():
        assert settings is not None
        source = settings.source(adapter)
        match adapter:
            case FilesAdapter():
                found.append(Adapter(source, "files", str(adapter.folder), adapter.mapping.name))
            case TransferAdapter():
                places = ", ".join(
                    f"{machine.station} at {machine.host}:{machine.port}" for machine in adapter.machines
                )
                found.append(Adapter(source, "board transfer", places, ""))
            case AssertionsAdapter():
                found.append(Adapter(source, "persons", "what is stated with `assert`", ""))
            case _:
                found.append(Adapter(source, str(adapter.kind), "", ""))
    return found


def _files_adapter(settings: Settings | None, source: str) -> FilesAdapter | None:
    for adapter in settings.adapters if settings else ():
        if isinstance(adapter, FilesAdapter) and settings is not None and settings.source(adapter) == source:
            return adapter
    return None


def _held(settings: Settings | None) -> dict[str, Held]:
    """What the outbox of this machine holds; nothing where there is none."""
    if settings is None or not settings.edge.outbox.exists():
        return {}
    try:
        return {
            one.source: Held(one.last, one.receipted, one.backlog) for one in holdings(settings.edge.outbox)
        }
    except (NotFound, StoreError):
        return {}
