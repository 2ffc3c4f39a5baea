"""`coldframe library`: masters kept for later nights."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import click

from coldframe.cli.complete import recipe_names, settings
from coldframe.cli.library_show import print_page, print_rows
from coldframe.cli.log import logging_options
from coldframe.cli.options import Size, library_option
from coldframe.cli.show import bytes_text, json_option, print_json, print_table, tell
from coldframe.library.library import Library, default_folder
from coldframe.session import default_memory, default_workers

FAILED = 1


def _open(folder: Path | None, *, create: bool = False, write: bool = False) -> Library:
    library = Library(folder or default_folder(), create=create, write=write)
    for why in library.index.unreadable.values():
        tell(f"warning: {why}; it is left out")
    return library


@click.group("library")
def command() -> None:
    """Keep masters, find them again, and see how good they are.

    \b
    coldframe library add darks/2026-02     combine a folder's frames, keep the masters
    coldframe library list
    coldframe run 2026-03-14                uses them where they fit
    """


@command.command("add")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@library_option
@click.option(
    "--recipe", metavar="NAME|FILE", shell_complete=recipe_names,
    help="Recipe; else the one that suits each camera.",
)  # fmt: skip
@click.option(
    "--with", "overrides", multiple=True, metavar="STEP.PARAM=VALUE", shell_complete=settings,
    help="Change one parameter of the recipe.",
)  # fmt: skip
@click.option(
    "--camera",
    "cameras",
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Camera file that tells gain, read noise and white level where frames do not.",
)
@click.option(
    "--workers",
    type=click.IntRange(1),
    default=default_workers(),
    show_default="every core",
    help="Tasks at once.",
)
@click.option(
    "--memory",
    type=Size(),
    default=default_memory(),
    show_default="half of the machine's",
    help="Limit, such as 2GiB.",
)
@json_option
@logging_options
def add(
    folders: tuple[Path, ...],
    library: Path | None,
    recipe: str | None,
    overrides: tuple[str, ...],
    cameras: tuple[Path, ...],
    workers: int,
    memory: int,
    as_json: bool,
) -> None:
    """Combine the calibration frames in FOLDERS and keep the masters. Lights are passed over.

    \b
    coldframe library add darks flats/2026-03-14
    coldframe library add darks --recipe cooled-mono --library /data/masters
    """
    from coldframe.library.add import Wish
    from coldframe.library.add import add as add_folders
    from coldframe.library.page import summary, verdicts
    from coldframe.manifest import versions
    from coldframe.plugins import find_plugins

    registry = find_plugins()
    wish = Wish(recipe, overrides, workers, memory, versions(registry), cameras)
    with _open(library, create=True) as opened:
        done = add_folders(folders, opened, registry, wish, partial(click.echo, err=True))
        entries = opened.entries()
        judged = {e.key: [v for v in verdicts(opened, e, entries) if v.disagrees] for e in done.new}
        rows = [summary(e, opened.ages[e.kind.value]) for e in done.new]
    disagreements = [f"{e.id} ({e.label}) {v.words}" for e in done.new for v in judged[e.key]]
    warnings = [*done.warnings, *disagreements]
    if as_json:
        print_json(
            {
                "new": rows,
                "known": [entry.id for entry in done.known],
                "set_aside": [{"frame": f, "reason": r} for f, r in done.set_aside],
                "warnings": warnings,
                "lights": done.lights,
            }
        )
        return
    for frame, reason in done.set_aside:
        tell(f"set aside {frame}: {reason}")
    for warning in warnings:
        tell(f"warning: {warning}")
    if rows:
        print_rows("New masters", rows)
    for entry in done.known:
        click.echo(f"already there: {entry.id} ({entry.label})")
    if done.lights:
        click.echo(f"{done.lights} lights passed over")


@command.command("list")
@library_option
@click.option(
    "--kind", type=click.Choice(["bias", "dark", "dark-flat", "flat"]), help="Only this kind."
)
@click.option("--camera", metavar="NAME", help="Only this camera, as the camera says.")
@json_option
def list_masters(library: Path | None, kind: str | None, camera: str | None, as_json: bool) -> None:
    """Every master: settings, frames, noise, age, and whether it has aged out.

    \b
    coldframe library list --kind dark
    """
    from coldframe.library.page import summary

    with _open(library) as opened:
        rows = [summary(e, opened.ages[e.kind.value]) for e in opened.entries(kind, camera)]
    if as_json:
        print_json(rows)
    elif rows:
        print_rows("Masters", rows)
    else:
        click.echo("no master" + (" of that sort" if kind or camera else ""))


@command.command("show")
@click.argument("id")
@library_option
@json_option
def show(id: str, library: Path | None, as_json: bool) -> None:
    """A master's page: frames, noise, hot pixels, dark current, and whether others agree.

    \b
    coldframe library show 3f8a91
    """
    from coldframe.library.page import page

    with _open(library) as opened:
        facts = page(opened, opened.find(id))
    if as_json:
        print_json(facts)
    else:
        print_page(facts)


@command.command("remove")
@click.argument("ids", nargs=-1, required=True, metavar="ID...")
@library_option
@json_option
def remove(ids: tuple[str, ...], library: Path | None, as_json: bool) -> None:
    """Take masters out of the library and delete their files. Frames are never touched.

    \b
    coldframe library remove 3f8a91
    """
    with _open(library, write=True) as opened:
        found = {entry.key: entry for entry in map(opened.find, ids)}
        for entry in found.values():
            opened.remove(entry)
    if as_json:
        print_json({"removed": list(found)})
        return
    for entry in found.values():
        click.echo(f"removed {entry.id} ({entry.label})")


@command.command("check")
@library_option
@click.option("--clean", is_flag=True, help="Delete what stopped adds left behind.")
@json_option
def check(library: Path | None, clean: bool, as_json: bool) -> int:
    """Verify every master's checksum and the index. Exit code 1 when something is wrong.

    \b
    coldframe library check --clean
    """
    from coldframe.library.check import check as check_library

    with _open(library) as opened:
        done = check_library(opened, clean=clean)
    if as_json:
        print_json(
            {
                "ok": done.good,
                "masters": done.masters,
                "faults": done.faults,
                "mended": done.mended,
                "index": done.index,
                "left_over": list(map(str, done.left_over)),
            }
        )
        return 0 if done.good else FAILED
    for key, why in done.faults.items():
        click.echo(f"{key[:10]}: {why}; 'library remove {key[:10]}' and add its frames again")
    for key in done.mended:
        click.echo(f"{key[:10]}: its entry was damaged and has been written anew")
    if done.index:
        click.echo(f"index: {done.index}; 'library rebuild' makes it anew")
    for path in done.left_over:
        click.echo(f"{'deleted' if clean else 'left over from a stopped add'}: {path}")
    click.echo(f"{done.masters} masters, {len(done.faults)} faults")
    return 0 if done.good else FAILED


@command.command("rebuild")
@library_option
@json_option
def rebuild(library: Path | None, as_json: bool) -> None:
    """Make the index anew from the masters, when it is damaged. Nothing is lost.

    \b
    coldframe library rebuild
    """
    from coldframe.errors import UsageError
    from coldframe.library.index import rebuild as rebuild_index
    from coldframe.store import Store

    root = library or default_folder()
    if not (root / "masters").is_dir():
        raise UsageError(f"there are no masters in {root}")
    Store(root).check_writable()
    count = rebuild_index(root)
    if as_json:
        print_json({"masters": count})
    else:
        click.echo(f"index made anew: {count} masters")


class Days(click.ParamType):
    """Days, or 'never'."""

    name = "days"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            return "never" if value == "never" else float(value)
        except ValueError:
            self.fail(f"'{value}' is neither a number of days nor 'never'")


@command.command("rules")
@click.option("--bias", type=Days(), help="Most days between a bias and the frame it serves.")
@click.option("--dark", type=Days(), help="The same for darks.")
@click.option("--dark-flat", type=Days(), help="The same for dark flats.")
@click.option("--flat", type=Days(), help="The same for flats.")
@library_option
@json_option
def rules(library: Path | None, as_json: bool, **asked: Any) -> None:
    """Show or set after how many days masters age out. A number, or 'never'.

    \b
    coldframe library rules
    coldframe library rules --flat 14 --dark 365 --bias never
    """
    from coldframe.library.rules import write_ages

    wanted = {name.replace("_", "-"): v for name, v in asked.items() if v is not None}
    changed = {kind: None if v == "never" else v for kind, v in wanted.items()}
    with _open(library, write=bool(changed)) as opened:
        ages = {**opened.ages, **changed}
        if changed:
            write_ages(opened.root, ages)
    if as_json:
        print_json(ages)
        return
    rows = [[k, "never" if d is None else f"{d:g} days"] for k, d in sorted(ages.items())]
    print_table("Masters age out", ["kind", "after"], rows)


@command.command("gaps")
@library_option
@json_option
def gaps(library: Path | None, as_json: bool) -> None:
    """What the library lacks: temperatures, bias, frames, and what has aged out.

    Which masters a night lacks, 'coldframe match NIGHT' tells.

    \b
    coldframe library gaps
    """
    from coldframe.library.gaps import as_dicts
    from coldframe.library.gaps import gaps as find_gaps

    with _open(library) as opened:
        found = find_gaps(opened.entries(), opened.ages)
    if as_json:
        print_json(as_dicts(found))
    elif found:
        rows = [[gap.camera, gap.what, gap.words] for gap in found]
        print_table("Gaps", ["camera", "what", "which"], rows)
    else:
        click.echo("no gaps")


@command.command("export")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.argument("ids", nargs=-1, metavar="[ID...]")
@library_option
@json_option
def export(file: Path, ids: tuple[str, ...], library: Path | None, as_json: bool) -> None:
    """Write masters (all, or those named) into one tar file, for another machine.

    \b
    coldframe library export masters.tar
    """
    from coldframe.errors import UsageError
    from coldframe.library.archive import export as write

    with _open(library) as opened:
        entries = list(map(opened.find, ids)) if ids else opened.entries()
        if not entries:
            raise UsageError("the library is empty; there is nothing to export")
        write(opened, entries, file)
    size = file.stat().st_size
    if as_json:
        print_json({"file": str(file), "masters": len(entries), "bytes": size})
    else:
        click.echo(f"{len(entries)} masters in {file}, {bytes_text(size)}")


@command.command("import")
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@library_option
@json_option
def import_(file: Path, library: Path | None, as_json: bool) -> None:
    """Take in masters that 'library export' wrote; their checksums are verified.

    \b
    coldframe library import masters.tar
    """
    from coldframe.library.archive import import_file

    with _open(library, create=True) as opened:
        done = import_file(opened, file)
    if as_json:
        print_json({"new": [e.id for e in done.new], "known": [e.id for e in done.known]})
    else:
        click.echo(f"{len(done.new)} masters taken in, {len(done.known)} were already there")
