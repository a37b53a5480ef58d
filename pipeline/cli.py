"""The command line: arguments in, exit code out. Heavy modules are imported inside the commands, so that help is instant."""

import contextlib
import logging
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

import pipeline
from pipeline.errors import PitchledgerError
from pipeline.log_format import Lines, escaped

if TYPE_CHECKING:
    from datetime import time

    import polars as pl
    from rich.console import Console

    from pipeline.night import NightReport
    from pipeline.settings.ledger import Ledger

PROJECT = Path(pipeline.__file__).parent.parent
LEDGER = "ledger.toml"
RUN_FAILED = 3
# rows of a table on the screen unless more are asked for, and the width of one in a file
MOST_ROWS, FILE_WIDTH = 50, 240
CAUTION = (
    "These are counts and measurements, no findings about a person: what a workload or a loss of velocity means is for athletic "
    "trainers, physicians and the governing body's rules to say."
)
STEPS = {
    "read": "Reading exports",
    "match": "Matching sightings",
    "agree": "Comparing trackers",
    "publish": "Publishing",
}

log = logging.getLogger("pitchledger")

_workspace = click.option(
    "--workspace",
    "-w",
    type=click.Path(path_type=Path, file_okay=False),
    help=f"The folder that holds {LEDGER}. Default: this folder, or the nearest above it that has one.",
)


def _time_of_day(_context: click.Context, _option: click.Parameter, value: str) -> "time":
    from datetime import time

    if not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
        raise click.BadParameter(f"{value!r} is no time of day: write HH:MM, from 00:00 to 23:59, such as 02:30")
    return time.fromisoformat(value)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(pipeline.__version__, prog_name="pitchledger")
def cli() -> None:
    """Every tracker's exports in, one warehouse out, each real pitch once.

    \b
    A first evening:
      pitchledger init my_program        make a workspace with an example
      cd my_program
      pitchledger draft FILE -o profiles/NAME.toml    describe a new device by one of its exports
      pitchledger check                  is every profile right? what does each column become?
      pitchledger run                    the nightly run; schedule this
      pitchledger schedule --at 02:30    or let this do it every night
      pitchledger status                 is last night whole?
      pitchledger review                 what waits for your decision, with the lines that settle it
      pitchledger query "from throws_by_day"
      pitchledger explain PITCH_ID       why are these sightings one pitch?
      pitchledger report agreement       how far apart are the trackers? a page
      pitchledger share DIR              a copy for outsiders, without names

    \b
    Exit codes: 0 done; 2 the command line, ledger.toml or a profile is wrong;
    3 the run failed and nothing was published; 4 another run is in progress.
    """


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), default="demo_workspace")
def demo(folder: Path) -> None:
    """Run the main job on the invented demo inputs, in FOLDER (default demo_workspace).

    The demo's exports and settings are copied there first, as far as they are not there yet; change them and run again to see what happens.
    """
    source = PROJECT / "demo_inputs"
    if not source.is_dir():
        raise PitchledgerError(f"the demo inputs are not in {source}: run this from a checkout of the project")
    for path in sorted(source.rglob("*")):
        inside = path.relative_to(source)
        if path.is_file() and inside.parts[0] not in ("truth", "__pycache__") and not (folder / inside).exists():
            (folder / inside).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, folder / inside)
    _run(folder, rebuild=False)


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
def init(folder: Path) -> None:
    """Make a workspace in FOLDER: a commented ledger.toml, an example profile with a small export, an empty roster and decisions.

    Nothing that is there already is overwritten. What to do next: put your trackers into ledger.toml, describe each one's exports in
    profiles/ (schemas/README.md teaches how), and run `pitchledger check`.
    """
    source = Path(pipeline.__file__).parent / "settings" / "new_workspace"
    made = []
    for path in sorted(source.rglob("*")):
        target = folder / path.relative_to(source)
        if path.is_file() and not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
            made.append(target)
    for target in made:
        click.echo(f"made {target}")
    click.echo(f"next: edit {folder / LEDGER}, then `pitchledger check -w {folder}`")


@cli.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the draft here, such as profiles/NAME.toml; it must not be there yet. Default: to the screen.",
)
def draft(file: Path, output: Path | None) -> None:
    """Draft the profile of a new device from FILE, one of its exports, for a person to correct.

    How the file is built, its columns, and what their headings and numbers speak for is filled in, guesses marked as such. What no file can
    show (where a speed is measured, signs, gravity, the clock's zone, what a word means) is a question, "???", with the answers that are
    allowed behind it; `pitchledger check` passes no profile in which one is open.

    \b
    pitchledger draft ~/Downloads/night_1.csv -o profiles/pen_camera.toml
    """
    from pipeline.drafting import draft_profile, name_for
    from pipeline.durable_files import private_files
    from pipeline.exports.readers.raw import UnreadableExport

    if output is not None and output.exists():
        raise click.UsageError(f"{output} is there already: move it, or name another file")
    try:
        made = draft_profile(file, output.stem if output else name_for(file))
    except UnreadableExport as fault:
        # nothing of ours failed: it is no file that can be drafted
        raise click.ClickException(f"{escaped(file.name)}: {fault}") from fault
    if output is None:
        click.echo(made.text, nl=False)
        return
    try:
        # its listing shows names of players, as the export has them
        with private_files():
            output.parent.mkdir(parents=True, exist_ok=True)
            output.write_text(made.text, encoding="utf-8")
    except OSError as fault:
        raise click.ClickException(
            f"{output} can't be written: {fault.strerror or fault}; name another file"
        ) from fault
    click.echo(f'made {output}, with {made.questions} open questions: answer each "???" in it, and look at each guess')
    click.echo("next: name the device in ledger.toml (the draft's first lines show how), then `pitchledger check`")


@cli.command()
@_workspace
def check(workspace: Path | None) -> None:
    """Check ledger.toml, roster, decisions and all profiles, and show what each column of the newest exports becomes.

    Every problem is named at once. Nothing is written. Exit code 2 when anything must be mended before a run.
    """
    from pipeline.reports.check_report import print_check
    from pipeline.reports.printing import console

    ledger = _ledger(workspace)
    bad = print_check(ledger, console())
    if bad:
        raise click.ClickException(
            f"{bad} of {len(ledger.trackers)} trackers: the newest export can't be taken, see above"
        )
    click.echo("all settings are right")


@cli.command()
@_workspace
@click.option("--rebuild", is_flag=True, help="Work through everything again, even where nothing is new.")
@click.option("--dry-run", is_flag=True, help="Say what a run would do and why; write nothing.")
@click.option(
    "--restore", metavar="VERSION", help="Put a published version that is still kept back before the readers."
)
def run(workspace: Path | None, rebuild: bool, dry_run: bool, restore: str | None) -> None:
    """Work through the inboxes and publish the warehouse; then print the morning summary.

    Schedule this every night. Readers keep the last whole version until the new one is complete; a run that fails publishes nothing. Only
    nights that something new touches are worked through; where nothing is new, nothing is changed.

    
    pitchledger run
    pitchledger run --dry-run
    pitchledger run --rebuild
    """
    if restore is not None and (rebuild or dry_run):
        raise click.UsageError("--restore goes with neither --rebuild nor --dry-run")
    folder = _find(workspace)
    if restore is not None:
        _restore(folder, restore)
    elif dry_run:
        _dry_run(folder, rebuild=rebuild)
    else:
        _run(folder, rebuild=rebuild)


@cli.command()
@_workspace
@click.option("--at", "at", required=True, metavar="HH:MM", callback=_time_of_day, help="Time of day, such as 02:30.")
def schedule(workspace: Path | None, at: "time") -> None:
    """Do `pitchledger run` every night at a time of day of ledger.toml's time zone, for as long as this command runs.

    Through Prefect: a server that PREFECT_API_URL names, or one of its own. What can pass by waiting, a share that is away or a file that is
    locked, is tried again for an hour. cron, systemd or the Windows task scheduler do as well: let them call `pitchledger run`.
    """
    from pipeline.operations.prefect_server import prepare_environment

    folder = _find(workspace)
    _ledger(folder)
    prepare_environment()
    from pipeline.operations.prefect_flow import keep_schedule

    with contextlib.suppress(KeyboardInterrupt):
        keep_schedule(folder, at, click.echo)


@cli.command()
@_workspace
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table", show_default=True)
@click.option("--strict", is_flag=True, help="Exit with 1 if something needs a person.")
def status(workspace: Path | None, form: str, strict: bool) -> None:
    """Show in one look whether last night is whole: runs, trackers, nights, quarantine, and what needs a person."""
    from pipeline.reports.printing import console
    from pipeline.reports.status import as_json, print_status, read_status

    state = read_status(_output(workspace))
    if form == "json":
        click.echo(as_json(state))
    else:
        print_status(state, console())
    if strict and state["needs"]:
        sys.exit(1)


@cli.command()
@_workspace
@click.argument("sql")
@click.option(
    "--format", "form", type=click.Choice(["table", "csv", "json", "parquet"]), default="table", show_default=True
)
@click.option(
    "--output", "-o", type=click.Path(path_type=Path, dir_okay=False), help="Write to this file and not to the screen."
)
@click.option("--limit", type=click.IntRange(min=1), help="At most so many rows (a table on the screen: 50).")
def query(workspace: Path | None, sql: str, form: str, output: Path | None, limit: int | None) -> None:
    """Ask the published warehouse one SQL question (DuckDB's SQL). It can read the warehouse and nothing else.

    \b
    pitchledger query "from throws_by_day"
    pitchledger query "select * from velocity_by_outing where pitcher_id = 'P07'" --format csv -o p07.csv
    pitchledger query "show tables"

    sql/README.md lists every table, view and column.
    """
    from pipeline.warehouse.query import run_query

    shown = MOST_ROWS if form == "table" and output is None and limit is None else limit
    folder = _output(workspace)
    try:
        answer = run_query(folder, sql, shown)
    except PitchledgerError as fault:
        # nothing of ours failed: the question can't be answered as it stands
        raise click.ClickException(str(fault)) from fault
    if form == "table":
        _print_answer(answer, output, cut=limit is None)
        _caution(sql)
    else:
        _write_answer(answer, form, output)


@cli.command()
@_workspace
@click.argument("pitch_id")
def explain(workspace: Path | None, pitch_id: str) -> None:
    """Show one pitch whole: each tracker's readings, why they are one pitch, and where each preferred value came from.

    PITCH_ID may also be an id of an earlier run, or a sighting's id.
    """
    from pipeline.reports.explain import print_pitch
    from pipeline.reports.printing import console

    print_pitch(_output(workspace), pitch_id, console())


@cli.command()
@_workspace
@click.option("--kind", type=click.Choice(["matches", "names", "labels"]), help="Only these. Default: all.")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="All of them, and not only the first 20.")
def review(workspace: Path | None, kind: str | None, form: str, everything: bool) -> None:
    """List what waits for a person's decision, newest night first, with the lines of decisions.csv for each possible answer.

    Doubtful matches with the explanations that compete, names to settle with the players proposed, and runs of pitches that seem to bear
    another pitcher's label. Nothing is decided here: put the lines of the right answer into decisions.csv, and run again.

    \b
    pitchledger review
    pitchledger review --kind names
    pitchledger review --all --format json
    """
    from datetime import date

    from pipeline.reports.printing import console
    from pipeline.reports.review import MOST, as_json, find_open, print_open

    items = find_open(_output(workspace), kind, date.today())
    shown = len(items) if everything else MOST
    if form == "json":
        click.echo(as_json(items, shown))
    else:
        print_open(items, shown, console())


@cli.command()
@_workspace
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def share(workspace: Path | None, folder: Path) -> None:
    """Write a Parquet copy for outsiders to DIR: pseudonyms for players, no names, no labels.

    DIR is empty or not there yet, or holds an earlier share, which is replaced. The same player has the same pseudonym in every share that is
    made with the same key: an environment variable or a file that [share] in ledger.toml names; without that, share.key, made on first use.
    """
    from pipeline.warehouse.share import describe
    from pipeline.warehouse.share import share as write_share

    for line in describe(write_share(_ledger(workspace), folder)):
        click.echo(textwrap.fill(line, 100, subsequent_indent="  "))


@cli.group()
def report() -> None:
    """Write a page for people, from the published tables."""


@report.command()
@_workspace
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The page. Default: reports/agreement.html in the output folder.",
)
def agreement(workspace: Path | None, output: Path | None) -> None:
    """How far apart the trackers are, since when, whose fault it is, and what to do: one HTML page that works offline and prints.

    \b
    pitchledger report agreement
    pitchledger report agreement -o agreement.html
    """
    from pipeline.reports.agreement_page import PAGE_TABLES, write_agreement_page
    from pipeline.warehouse.query import run_query

    folder = _output(workspace)
    tables = {name: run_query(folder, f"from {name}") for name in PAGE_TABLES}
    names = {tracker.id: tracker.name for tracker in _ledger(workspace).trackers}
    path = output or folder / "reports" / "agreement.html"
    path.parent.mkdir(parents=True, exist_ok=True)
    write_agreement_page(tables, path, names)
    click.echo(f"wrote {path}")


def main() -> NoReturn:
    """Run the command line. A PitchledgerError becomes one message and its exit code."""
    lines = logging.StreamHandler(sys.stderr)
    lines.setFormatter(Lines("%(asctime)s %(levelname)s %(message)s"))
    logging.basicConfig(level=logging.INFO, handlers=[lines])
    try:
        cli.main(standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except click.ClickException as problem:
        problem.show()
        sys.exit(2)
    except PitchledgerError as problem:
        click.echo(f"pitchledger: {problem}", err=True)
        sys.exit(problem.exit_code)
    except BrokenPipeError:
        # the reader of our output has seen enough (… | head)
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except Exception as fault:
        log.exception("pitchledger failed")
        click.echo(f"pitchledger: a fault of the program: {type(fault).__name__}: {fault}", err=True)
        sys.exit(RUN_FAILED)
    sys.exit(0)


def _find(workspace: Path | None) -> Path:
    """The workspace: as stated, or the nearest folder from here upward that holds ledger.toml."""
    if workspace is not None:
        if not (workspace / LEDGER).is_file():
            raise click.UsageError(f"no {LEDGER} in {workspace}: make a workspace with `pitchledger init {workspace}`")
        return workspace
    here = Path.cwd()
    for folder in (here, *here.parents):
        if (folder / LEDGER).is_file():
            return folder
    raise click.UsageError(
        f"no {LEDGER} here or above: name the workspace with -w, or make one with `pitchledger init DIR`"
    )


def _ledger(workspace: Path | None) -> "Ledger":
    from pipeline.settings.ledger import load_ledger

    return load_ledger(_find(workspace))


def _output(workspace: Path | None) -> Path:
    """The output folder that ledger.toml states. Only that key is read, so that a fault elsewhere does not keep anyone from the tables."""
    import tomllib

    folder = _find(workspace)
    try:
        settings = tomllib.loads((folder / LEDGER).read_text("utf-8"))
        return folder / str(settings.get("output", {}).get("folder", "warehouse"))
    except (OSError, ValueError, AttributeError) as fault:
        raise click.UsageError(f"{folder / LEDGER} can't be read: {fault}") from fault


def _run(folder: Path, *, rebuild: bool) -> None:
    """A run, and the word of it: to who sits here, and to whom [notify] names."""
    from pipeline.operations.notify import tell_of_failure, tell_of_run

    try:
        report = _run_alone(folder, rebuild=rebuild)
    except Exception as fault:
        _say_not_told(tell_of_failure(folder, fault))
        raise
    _say_not_told(tell_of_run(folder, published=report.published))


def _say_not_told(problem: str | None) -> None:
    if problem:
        click.echo(f"pitchledger: {problem}", err=True)


def _run_alone(folder: Path, *, rebuild: bool) -> "NightReport":
    from pipeline.operations.watchdog import at_most
    from pipeline.reports.printing import console
    from pipeline.reports.summary import print_summary
    from pipeline.warehouse.lock import run_lock
    from pipeline.warehouse.versions import deleting_pruned

    ledger = _ledger(folder)
    with run_lock(ledger.output), at_most(ledger):
        report = _run_or_fail(ledger, rebuild=rebuild)
    with deleting_pruned(ledger.output):
        if not report.published:
            click.echo(
                f"Nothing is new: {report.files_known} exports, all of them known; version {report.version} stands."
            )
        else:
            print_summary(ledger.output, console())
    for sentence in report.left:
        click.echo(f"! {escaped(sentence)}")
    return report


def _dry_run(folder: Path, *, rebuild: bool) -> None:
    from pipeline.night import dry_run

    report = dry_run(_ledger(folder), rebuild=rebuild)
    for sentence in (*report.reasons, *(f"! {sentence}" for sentence in report.left)):
        click.echo(escaped(sentence))
    if not report.reasons:
        click.echo(f"Nothing is new: a run would change nothing; version {report.version} stands.")
    elif report.nights:
        click.echo(f"A run would work through {_nights(report.nights)}. Nothing was written.")
    else:
        click.echo("A run would work through no night, and publish what else changed. Nothing was written.")


def _nights(nights: Sequence[date]) -> str:
    if len(nights) == 1:
        return f"the night of {nights[0]}"
    return f"{len(nights)} nights, {nights[0]} to {nights[-1]}"


def _restore(folder: Path, version: str) -> None:
    from pipeline.night import restore
    from pipeline.warehouse.lock import run_lock
    from pipeline.warehouse.versions import list_versions

    ledger = _ledger(folder)
    kept = list_versions(ledger.output)
    if version not in kept:
        raise click.UsageError(f"no version {version} is kept; there are: {', '.join(kept) or 'none'}")
    with run_lock(ledger.output):
        restore(ledger, version)
    click.echo(f"Readers see version {version} again. The next run goes on from it: what came since will be new to it.")


def _run_or_fail(ledger: "Ledger", *, rebuild: bool) -> "NightReport":
    from pipeline.night import run_and_record

    try:
        with _progress() as tell:
            return run_and_record(ledger, rebuild=rebuild, progress=tell)
    except (PitchledgerError, KeyboardInterrupt, SystemExit):
        raise
    except BaseException as fault:  # panics of compiled code, such as for want of memory, are no Exception
        log.exception("the run failed")
        raise PitchledgerError(f"the run failed and nothing was published: {type(fault).__name__}: {fault}") from fault


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None] | None]:
    """Bars when a person watches; None (plain lines in the log) otherwise."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress, TaskID

    screen = Console(stderr=True)
    with Progress(console=screen, transient=True) as bars, _log_above(screen):
        tasks: dict[str, TaskID] = {}

        def tell(step: str, done: int, total: int) -> None:
            if step not in tasks:
                tasks[step] = bars.add_task(STEPS.get(step, step), total=total)
            bars.update(tasks[step], completed=done, total=total)

        yield tell


@contextlib.contextmanager
def _log_above(screen: "Console") -> Iterator[None]:
    """While bars are drawn, the log's lines go through the same screen, above them."""
    from rich.logging import RichHandler

    root = logging.getLogger()
    above = RichHandler(console=screen, show_path=False)
    above.setFormatter(Lines("%(message)s"))
    usual, root.handlers = root.handlers, [above]
    try:
        yield
    finally:
        root.handlers = usual


def _print_answer(answer: "pl.DataFrame", output: Path | None, *, cut: bool) -> None:
    from rich.console import Console

    from pipeline.reports.printing import console, print_rows

    numbers = [name for name, kind in answer.schema.items() if kind.is_numeric()]
    if output is not None:
        with output.open("w", encoding="utf-8") as file:
            print_rows(answer.columns, answer.rows(), numbers, Console(file=file, width=FILE_WIDTH))
        return
    print_rows(answer.columns, answer.rows(), numbers, console())
    note = (
        f"; the first {MOST_ROWS} only: --limit N or --format csv for more"
        if cut and answer.height == MOST_ROWS
        else ""
    )
    click.echo(f"{answer.height} {'row' if answer.height == 1 else 'rows'}{note}")


def _caution(sql: str) -> None:
    """Where an arm's workload or speed is shown, say whose matter the judgement is."""
    if re.search(r"\b(throws_by_day|velocity_by_\w+|outings)\b", sql, re.IGNORECASE):
        click.echo(textwrap.fill(CAUTION, 100))


def _flat(answer: "pl.DataFrame") -> "pl.DataFrame":
    """Lists and structs as JSON text, and bytes as hex digits: a CSV can hold neither."""
    import polars as pl

    nested = [name for name, dtype in answer.schema.items() if dtype.is_nested()]
    as_json = [
        # JSON of {"v": value}, without what stands around the value
        pl.when(pl.col(name).is_not_null())
        .then(pl.struct(v=name).struct.json_encode().str.slice(5).str.head(-1))
        .alias(name)
        for name in nested
    ]
    return answer.with_columns(*as_json, pl.col(pl.Binary).bin.encode("hex"))


def _write_answer(answer: "pl.DataFrame", form: str, output: Path | None) -> None:
    target: Any = sys.stdout.buffer if output is None else output
    if form == "csv":
        from pipeline.warehouse.quarantine_csv import escape_formulas

        escape_formulas(_flat(answer)).write_csv(target)
    elif form == "json":
        answer.write_json(target)
    else:
        answer.write_parquet(target)


if __name__ == "__main__":
    main()
