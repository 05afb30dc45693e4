"""Stations as they are now, and one of them."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from broker_bridge.errors import NotFound
from broker_bridge.web.pages.frame import served
from broker_bridge.web.pages.station_view import PageClock, station_view, stations_view
from broker_bridge.web.site import Here, Reader

router = APIRouter()

Text = Annotated[str, Query(min_length=1, max_length=512)]


@router.get("/stations")
async def stations(request: Request, site: Here, user: Reader, part: bool = False) -> Response:
    """One row each. `part`: the rows alone, for a page that draws them anew."""
    clock, seen, _ = await site.stations.glance(PageClock)
    view = stations_view(seen, clock, site.stations.trouble)
    return served(request, "stations_part.html" if part else "stations.html", view=view)


@router.get("/station")
async def station(
    request: Request, site: Here, user: Reader, line: Text, name: Text, part: bool = False
) -> Response:
    """Everything about one."""
    clock, seen, _ = await site.stations.glance(PageClock)
    for there, rows in seen.lines:
        for row in rows:
            if (there, row.station.name) == (line, name):
                view = station_view(line, row, clock)
                return served(request, "station_part.html" if part else "station.html", view=view)
    raise NotFound(f"nothing was heard of station {name!r} in {line!r}, and it is not configured")
