"""What this plugin adds to Coldframe."""

from coldframe.hooks import Section, hookimpl
from coldframe_netpbm.combine import PercentileCombine
from coldframe_netpbm.reader import PgmReader


@hookimpl
def coldframe_steps():
    return [PercentileCombine]


@hookimpl
def coldframe_readers():
    return [PgmReader()]


@hookimpl
def coldframe_report_sections(record):
    count = sum(frame.info.path.endswith(".pgm") for frame in record.frames)
    return [Section("Grey maps", 90, f"<p>{count} PGM files were read.</p>")]
