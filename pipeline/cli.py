"""The command line: arguments in, exit code out. Commands import heavy modules themselves, so help is instant."""

import contextlib
import logging
import os
import re
import shutil
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

import pipeline
from pipeline.errors import PitchledgerError
from pipeline.log_format import Lines, escaped

if TYPE_CHECKING:
    from datetime import time

    from pipeline.settings.ledger import Ledger

PACKAGE = Path(pipeline.__file__).parent
DEMO_INPUTS = (PACKAGE.parent / "demo_inputs", PACKAGE / "demo_inputs")
LEDGER = "ledger.toml"
RUN_FAILED = 3
CAUTION = (
    "These are counts and measurements, not findings about a person. What a workload or a velocity loss means is for athletic "
    "trainers, physicians and the governing body's rules to decide."
)

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
        raise click.BadParameter(f"{value!r} is not a time of day. Write HH:MM from 00:00 to 23:59, such as 02:30.")
    return time.fromisoformat(value)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(pipeline.__version__, prog_name="pitchledger")
def cli() -> None:
    """Turn every tracker's exports into one warehouse that holds each real pitch once.

    \b
    Getting started:
      pitchledger init my_program        create a workspace with an example
      cd my_program
      pitchledger draft FILE -o profiles/NAME.toml    draft the profile of a new device from one export
      pitchledger check                  validate all settings; show what each column becomes
      pitchledger run                    process new exports and publish; schedule this nightly
      pitchledger schedule --at 02:30    or keep this running instead of a scheduler
      pitchledger status                 did everything come in? what needs attention?
      pitchledger review                 questions that need your decision, with the lines that answer them
      pitchledger query "from throws_by_day"
      pitchledger explain PITCH_ID       show why these sightings are one pitch
      pitchledger report agreement       write a page on how far apart the trackers are
      pitchledger share DIR              write a copy for outsiders, without names

    \b
    Exit codes: 0 done; 2 the command line, ledger.toml or a profile is wrong;
    3 the run failed and nothing was published; 4 another run is in progress.
    """


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), default="demo_workspace")
def demo(folder: Path) -> None:
    """Run the main job on invented demo inputs in FOLDER (default demo_workspace).

    Missing demo exports and settings are copied to FOLDER first. Change them and run again to see what happens.
    """
    # a checkout has the demo inputs beside the package, an installed wheel inside it
    source = next((place for place in DEMO_INPUTS if place.is_dir()), None)
    if source is None:
        raise PitchledgerError(f"The demo inputs are missing: neither {' nor '.join(map(str, DEMO_INPUTS))} exists.")
    for path in sorted(source.rglob("*")):
        inside = path.relative_to(source)
        if path.is_file() and inside.parts[0] not in ("truth", "__pycache__") and not (folder / inside).exists():
            (folder / inside).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, folder / inside)
    from pipeline.operations.run_commands import run_workspace

    run_workspace(folder, rebuild=False)


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
def init(folder: Path) -> None:
    """Create a workspace in FOLDER: a commented ledger.toml, an example profile and export, an empty roster and decisions.

    Existing files are never overwritten. Next: list your trackers in ledger.toml, describe their exports in profiles/ (schemas/README.md
    explains how), and run `pitchledger check`.
    """
    source = PACKAGE / "settings" / "new_workspace"
    made = []
    for path in sorted(source.rglob("*")):
        target = folder / path.relative_to(source)
        if path.is_file() and not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
            made.append(target)
    for target in made:
        click.echo(f"Created {target}")
    click.echo(f"Next: edit {folder / LEDGER}, then run `pitchledger check -w {folder}`.")


@cli.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the draft to this new file, such as profiles/NAME.toml. Default: the screen.",
)
def draft(file: Path, output: Path | None) -> None:
    """Draft the profile of a new device from FILE, one of its exports. You correct the draft.

    The draft states the file's structure and columns, and guesses from headings and numbers; each guess is marked. What no file can show
    (where a speed is measured, signs, gravity, the clock's time zone, what a word means) is an open question, "???", followed by the allowed
    answers. `pitchledger check` rejects a profile with an open question.

    \b
    pitchledger draft ~/Downloads/night_1.csv -o profiles/pen_camera.toml
    """
    from pipeline.drafting import draft_profile, name_for
    from pipeline.durable_files import private_files
    from pipeline.exports.isolation import isolated
    from pipeline.exports.readers.raw import UnreadableExport

    if output is not None and output.exists():
        raise click.UsageError(f"{output} already exists. Move it, or name another file.")
    try:
        made = isolated(draft_profile, file, output.stem if output else name_for(file))
    except UnreadableExport as fault:
        # the program did not fail: this file cannot be drafted
        raise click.ClickException(f"{escaped(file.name)}: {fault}") from fault
    if output is None:
        click.echo(made.text, nl=False)
        return
    try:
        # the draft's listing quotes player names from the export
        with private_files():
            output.parent.mkdir(parents=True, exist_ok=True)
            output.write_text(made.text, encoding="utf-8")
    except OSError as fault:
        raise click.ClickException(f"Cannot write {output}: {fault.strerror or fault}. Name another file.") from fault
    click.echo(f'Created {output} with {made.questions} open questions. Answer each "???" and check each guess.')
    click.echo("Next: add the device to ledger.toml (the draft's first lines show how), then run `pitchledger check`.")


@cli.command()
@_workspace
def check(workspace: Path | None) -> None:
    """Validate ledger.toml, roster, decisions and all profiles; show what each column of the newest exports becomes.

    All problems are listed at once. Nothing is written. Exit code 2 means that something must be fixed before a run.
    """
    from pipeline.reports.check_report import print_check
    from pipeline.reports.printing import console
    from pipeline.words import pluralize

    ledger = _ledger(workspace)
    result = print_check(ledger, console())
    if result.unusable:
        raise click.ClickException(
            f"The newest export of {result.unusable} of {len(ledger.trackers)} trackers cannot be used. See above."
        )
    if result.doubts:
        click.echo(f"No setting is invalid. {pluralize(result.doubts, 'line')} above with ! may show a wrong one.")
    else:
        click.echo("All settings are valid.")


@cli.command()
@_workspace
@click.option("--rebuild", is_flag=True, help="Process all nights again, even if nothing is new.")
@click.option("--dry-run", is_flag=True, help="Show what a run would do and why. Write nothing.")
@click.option("--restore", metavar="VERSION", help="Make a kept version the current one again.")
def run(workspace: Path | None, rebuild: bool, dry_run: bool, restore: str | None) -> None:
    """Process new exports, publish the warehouse, and print the morning summary.

    Schedule this every night. Readers keep the last complete version until the new one is ready; a failed run publishes nothing. Only nights
    that new files or settings affect are processed. If nothing is new, nothing changes.

    
    pitchledger run
    pitchledger run --dry-run
    pitchledger run --rebuild
    """
    if restore is not None and (rebuild or dry_run):
        raise click.UsageError("--restore cannot be combined with --rebuild or --dry-run.")
    from pipeline.operations import run_commands

    folder = _find(workspace)
    if restore is not None:
        run_commands.restore_version(folder, restore)
    elif dry_run:
        run_commands.print_dry_run(folder, rebuild=rebuild)
    else:
        run_commands.run_workspace(folder, rebuild=rebuild)


@cli.command()
@_workspace
@click.option("--at", "at", required=True, metavar="HH:MM", callback=_time_of_day, help="Time of day, such as 02:30.")
def schedule(workspace: Path | None, at: "time") -> None:
    """Run `pitchledger run` every night at a set time, in ledger.toml's time zone, for as long as this command runs.

    Uses Prefect: the server that PREFECT_API_URL names, or a private one. If a network drive is offline or a file is locked, the run retries
    for an hour. cron, systemd or the Windows task scheduler work as well: have them call `pitchledger run`.
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
@click.option("--strict", is_flag=True, help="Exit with 1 if something needs your attention.")
def status(workspace: Path | None, form: str, strict: bool) -> None:
    """Show whether everything came in: runs, trackers, nights, quarantine, and what needs your attention."""
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
    "--output", "-o", type=click.Path(path_type=Path, dir_okay=False), help="Write to this file instead of the screen."
)
@click.option("--limit", type=click.IntRange(min=1), help="Maximum number of rows (default on screen: 50).")
def query(workspace: Path | None, sql: str, form: str, output: Path | None, limit: int | None) -> None:
    """Run one DuckDB SQL query on the published warehouse. It can read the warehouse and nothing else.

    \b
    pitchledger query "from throws_by_day"
    pitchledger query "select * from velocity_by_outing where pitcher_id = 'P07'" --format csv -o p07.csv
    pitchledger query "show tables"

    sql/README.md lists every table, view and column.
    """
    from pipeline.operations.terminal import SCREEN_ROWS, print_answer, write_answer
    from pipeline.warehouse.query import run_query

    shown = SCREEN_ROWS if form == "table" and output is None and limit is None else limit
    folder = _output(workspace)
    try:
        answer = run_query(folder, sql, shown)
    except PitchledgerError as fault:
        # the program did not fail: this query cannot be answered
        raise click.ClickException(str(fault)) from fault
    if form == "table":
        print_answer(answer, output, cut=limit is None)
        _caution(sql)
    else:
        write_answer(answer, form, output)


@cli.command()
@_workspace
@click.argument("pitch_id")
def explain(workspace: Path | None, pitch_id: str) -> None:
    """Explain one pitch: each tracker's readings, why they are one pitch, and the source of each preferred value.

    PITCH_ID can also be a pitch id from an earlier run, or a sighting id.
    """
    from pipeline.reports.explain import print_pitch
    from pipeline.reports.printing import console

    print_pitch(_output(workspace), pitch_id, console())


@cli.command()
@_workspace
@click.option("--kind", type=click.Choice(["matches", "names", "labels"]), help="Only this kind. Default: all.")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--all", "everything", is_flag=True, help="Show all questions instead of the first 20.")
def review(workspace: Path | None, kind: str | None, form: str, everything: bool) -> None:
    """List the questions that need your decision, newest night first, with the decisions.csv lines for each answer.

    Doubtful matches with their competing explanations, unknown names with proposed players, and runs of pitches that may carry another
    pitcher's label. This command decides nothing: paste the lines of the right answer into decisions.csv and run again.

    \b
    pitchledger review
    pitchledger review --kind names
    pitchledger review --all --format json
    """
    from datetime import date

    from pipeline.reports.printing import console
    from pipeline.reports.review import MOST, as_json, find_open, print_open

    items = find_open(_output(workspace), kind, date.today(), utc=form == "json")
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

    DIR must be new or empty, or hold an earlier share, which is replaced. A player keeps the same pseudonym in every share made with the same
    key. [share] in ledger.toml names the key's environment variable or file; the default is share.key, created on first use.
    """
    from pipeline.warehouse.share import describe
    from pipeline.warehouse.share import share as write_share

    for line in describe(write_share(_ledger(workspace), folder)):
        click.echo(textwrap.fill(line, 100, subsequent_indent="  "))


@cli.group()
def report() -> None:
    """Write a report page from the published tables."""


@report.command()
@_workspace
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the page to this file. Default: reports/agreement.html in the output folder.",
)
def agreement(workspace: Path | None, output: Path | None) -> None:
    """Report how far apart the trackers are, since when, which one changed, and what to do, as one HTML page.

    The page works offline and prints.

    \b
    pitchledger report agreement
    pitchledger report agreement -o agreement.html
    """
    from pipeline.reports.agreement_page import PAGE_TABLES, write_agreement_page
    from pipeline.warehouse.query import read_tables

    folder = _output(workspace)
    tables = read_tables(folder, PAGE_TABLES)
    names = {tracker.id: tracker.name for tracker in _ledger(workspace).trackers}
    path = output or folder / "reports" / "agreement.html"
    path.parent.mkdir(parents=True, exist_ok=True)
    write_agreement_page(tables, path, names)
    click.echo(f"Wrote {path}")


def main() -> NoReturn:
    """Run the command line and exit. A PitchledgerError becomes one message and its exit code."""
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
        # the reader of our output closed the pipe (… | head)
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except Exception as fault:
        log.exception("pitchledger failed")
        click.echo(f"pitchledger: internal error: {type(fault).__name__}: {fault}", err=True)
        sys.exit(RUN_FAILED)
    sys.exit(0)


def _find(workspace: Path | None) -> Path:
    """Return the stated workspace, or the nearest folder from here upward that holds ledger.toml."""
    if workspace is not None:
        if not (workspace / LEDGER).is_file():
            raise click.UsageError(
                f"There is no {LEDGER} in {workspace}. Create a workspace with `pitchledger init {workspace}`."
            )
        return workspace
    here = Path.cwd()
    for folder in (here, *here.parents):
        if (folder / LEDGER).is_file():
            return folder
    raise click.UsageError(
        f"There is no {LEDGER} in this folder or above it. Name the workspace with -w, or create one with `pitchledger init DIR`."
    )


def _ledger(workspace: Path | None) -> "Ledger":
    from pipeline.settings.ledger import load_ledger

    return load_ledger(_find(workspace))


def _output(workspace: Path | None) -> Path:
    """Return the output folder that ledger.toml states.

    Only that key is read, so an error elsewhere in ledger.toml does not block readers of the tables.
    """
    import tomllib

    folder = _find(workspace)
    try:
        settings = tomllib.loads((folder / LEDGER).read_text("utf-8"))
        return folder / str(settings.get("output", {}).get("folder", "warehouse"))
    except (OSError, ValueError, AttributeError) as fault:
        raise click.UsageError(f"Cannot read {folder / LEDGER}: {fault}.") from fault


def _caution(sql: str) -> None:
    """Print the caution if the query shows a pitcher's workload or velocity."""
    if re.search(r"\b(throws_by_day|velocity_by_\w+|outings)\b", sql, re.IGNORECASE):
        click.echo(textwrap.fill(CAUTION, 100))


if __name__ == "__main__":
    main()
