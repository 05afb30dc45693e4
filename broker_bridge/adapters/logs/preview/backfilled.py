"""What a backfill did, as data: the JSON of `backfill --json`."""

from pydantic import BaseModel, ConfigDict


class _View(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Unusable(_View):
    """A file that could not be read; nothing of it was recorded."""

    file: str
    reason: str


class BackfillSummary(_View):
    """What a backfill did, or with --dry-run what it would do."""

    adapter: str
    source: str
    dry_run: bool
    files: int
    """Files that were named and whose names fit the adapter's pattern."""
    files_new: int
    files_known: int
    """Files that the source had read as a whole before, dropped or backfilled: nothing was done."""
    files_passed_over: int
    """Files whose names do not fit the adapter's pattern, and companions."""
    unusable: tuple[Unusable, ...] = ()
    records_new: int
    records_known: int
    """Records of files that were known, and those that an interrupted backfill had taken in."""
    rejected: int
    """New records that no rule understood; they are in quarantine."""
    events_new: int
    """Events given, rejections among them."""
    through: str
    """edge: a running edge took them in; outbox: they wait there for the next run of the edge; none."""
