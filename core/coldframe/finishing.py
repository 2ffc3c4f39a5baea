"""What follows a run's last task: its report and its manifest.

The list of frames to shoot, the digests of the products and the parts of the report need nothing
of each other, so they are made side by side.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime
from functools import partial

from coldframe.camera.known import find_cameras
from coldframe.decoded import decoded
from coldframe.dithering import shift_of
from coldframe.manifest import manifest, write_manifest, written_files
from coldframe.night import reader_for
from coldframe.plugins import Registry
from coldframe.prepared import Prepared
from coldframe.report.blocks import Part
from coldframe.report.build import write_report
from coldframe.report.figures import proved
from coldframe.report.record import RunRecord
from coldframe.shots.items import Wish
from coldframe.shots.plan import make_list
from coldframe.shots.sheet import next_part
from coldframe.shots.stock import Stocked
from coldframe.timing import Timings


def finish(
    prepared: Prepared,
    registry: Registry,
    record: RunRecord,
    timings: Timings,
    began: datetime,
    threads: int,
) -> RunRecord:
    """Write report.html and the manifest, on so many threads; the record with what failed.

    Raises StoreError.
    """
    output = prepared.request.output
    sections = registry.report_sections(record)
    record = replace(record, warnings=(*record.warnings, *registry.faults.take()))
    with ThreadPoolExecutor(threads) as pool:
        files = pool.submit(written_files, output, record)
        shots = partial(_to_shoot, prepared, record, registry)
        report = write_report(record, output / "report.html", sections, [shots], pool)
    decoded.keep(0)
    told = manifest(prepared, registry, record, timings, report, files.result(), began)
    write_manifest(output, told)
    return record


def _to_shoot(prepared: Prepared, record: RunRecord, registry: Registry) -> list[Part]:
    """The calibration frames that the lights of the run still need; none where no stack was
    judged."""
    if proved(record) is None:
        return []
    bad = {id(aside.info) for aside in prepared.plan.set_aside}
    shelf = prepared.plan.shelf
    shifts = {frame.id: shift_of(frame.measures) for frame in record.frames}
    wish = Wish(shifts={name: at for name, at in shifts.items() if at is not None}, run="this run")
    shots = make_list(
        [info for info in prepared.scan.frames if id(info) not in bad],
        [],
        find_cameras(prepared.request.cameras),
        lambda info: decoded.read(reader_for(info, registry.readers), info),
        wish,
        [
            Stocked(master.info.kind, master.info, len(master.sources))
            for master in (shelf.candidates if shelf else ())
            if master.info.kind is not None
        ],
    )
    return [next_part(shots, wish)]
