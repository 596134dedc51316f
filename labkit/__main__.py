"""The command line: `labkit next TRIAL`, `labkit check TRIAL`, `labkit rehearse TRIAL`, `labkit new FOLDER`."""

import argparse
import os
import sys

import labkit
from labkit.cautions import AT_THE_BENCH, CAUTIONS
from labkit.checks import MOST_SUGGESTED, parse_id, too_large
from labkit.errors import LabkitError, StoreError
from labkit.outgrown import told_outgrown, told_waiting
from labkit.planning.given import kept_round
from labkit.records import appraise_records, told_beside, told_standing, told_unfinished, told_unjudged, told_unsaid
from labkit.rounds import Round
from labkit.store.missing import doubts_on_files
from labkit.store.reading import OnDisk, file_of, read_folder
from labkit.trial import Trial
from labkit.tweaks import Tweak
from labkit.tweaks.first import first_of_all, newest_waits, unjudged, unpoured
from labkit.tweaks.result import predicted
from labkit.wording import Block, Report, heading, line, plural, report, short_text, unit_text, words_joined

COMMANDS = {
    "next": ("TRIAL", "say what to pour next, and why"),
    "check": ("TRIAL", "read a trial and say what is wrong with it"),
    "rehearse": ("TRIAL", "play the next rounds in invented worlds, and say how many evenings it takes"),
    "new": ("FOLDER", "lay out a new trial: a commented trial.toml and empty tables"),
}
WHOLE = {"pours": (4, MOST_SUGGESTED, "pours in the next round"),
         "melts": (2, MOST_SUGGESTED, "pots in the next round"),
         "seed": (0, 2**31 - 1, "which draw to repeat"),
         "rounds": (3, 12, "evenings to play"), "times": (8, 99, "rehearsals, each in a world of its own")}
OPTIONS = {"next": ("pours", "melts", "seed"), "rehearse": ("rounds", "times", "pours", "melts")}
NOTEBOOKS = "The notebooks open with: .venv/bin/jupyter lab notebooks"


class _Parser(argparse.ArgumentParser):
    """Argparse, but a mistake is one sentence on stderr and not a usage text."""

    def error(self, message):
        raise LabkitError(f"{message}. For help: labkit --help.")


def main(arguments: list[str] | None = None) -> int:
    """Run a command and return the exit code: 0, or 2 after one sentence about what is wrong."""
    try:
        asked = _completed(_parser().parse_args(arguments))
        _say({"next": next_tweak, "check": checked, "new": laid_out, "rehearse": rehearsed}[asked.command](asked))
        sys.stdout.flush()
    except LabkitError as problem:
        print(f"labkit: {problem}", file=sys.stderr)
        return 2
    except BrokenPipeError:                      # whoever read our output has had enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except KeyboardInterrupt:
        return 130
    return 0


def _say(told: Report) -> None:
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="replace")
    print(told.as_text())


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="labkit", description="Plan, pour, score and settle small batches of tinted lip colour.")
    parser.add_argument("--version", action="version", version=f"labkit {labkit.__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, (folder, does) in COMMANDS.items():
        command = commands.add_parser(name, help=does, description=f"{does[0].upper()}{does[1:]}.")
        command.add_argument("folder", metavar=folder)
        for option in OPTIONS.get(name, ()):
            usual, _, means = WHOLE[option]
            command.add_argument(f"--{option}", type=_whole(option), metavar="N",
                                 help=f"{means} (default {usual})")
        if name == "next":
            command.add_argument("--keep", action="store_true", help="keep the round in plan.csv, with a bench sheet")
    return parser


def _completed(asked: argparse.Namespace) -> argparse.Namespace:
    """What was asked, with what is usual where nothing was said; `said` has the options that were given, as typed."""
    options = OPTIONS.get(asked.command, ())
    asked.said = [f"--{option} {given}" for option in options if (given := getattr(asked, option)) is not None]
    for option in options:
        if getattr(asked, option) is None:
            setattr(asked, option, WHOLE[option][0])
    if "melts" in options and f"--melts {asked.melts}" in asked.said and asked.melts > asked.pours:
        usual = " (the usual number)" * (f"--pours {asked.pours}" not in asked.said)
        raise LabkitError(f"--melts is {asked.melts}, but there are {plural(asked.pours, 'pour')}{usual}, and a melt "
                          f"serves one at least. Ask for {plural(asked.pours, 'melt')} or fewer, or for more pours.")
    return asked


def _check_pots(asked: argparse.Namespace, trial: Trial) -> None:
    """Without [melt] every pour has a pot of its own."""
    if not trial.recipe.pot and f"--melts {asked.melts}" in asked.said and asked.melts != asked.pours:
        raise LabkitError(f"--melts is {asked.melts}, but trial.toml has no [melt], so each of the "
                          f"{plural(asked.pours, 'pour')} has its own pot. Leave --melts out, or name the pot's "
                          "ingredients in [melt].")


def _whole(option: str):
    """A reader of one whole number for argparse; its refusal names the option and the range."""
    low, high = (0 if option == "seed" else 1), WHOLE[option][1]

    def read(text: str) -> int:
        if not text.isascii() or not text.isdigit() or not low <= int(text) <= high:
            if high == MOST_SUGGESTED and text.isascii() and text.isdigit() and int(text) > high:
                raise LabkitError(f"--{option} is {text}, and {too_large(high)}")
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low} to {high}")
        return int(text)
    return read


def laid_out(asked) -> Report:
    """What `new` made, and what to do with it."""
    trial = labkit.new_trial(asked.folder)
    tables = plural(len(trial.tables), "empty table")
    return report(line(f"{asked.folder} holds a commented trial.toml ({trial.name}) and {tables}."),
                  line("Write your own formula and limits into trial.toml, then run: "
                       f"labkit check {_typed(asked.folder)}"))


def _typed(folder: str) -> str:
    """A path as it is typed in a shell."""
    return f'"{folder}"' if any(map(str.isspace, folder)) else folder


def checked(asked) -> Report:
    """What a trial holds, what was left out of it, and what is still to do; wrong input has raised before."""
    disk = read_folder(asked.folder)
    found = appraise_records(disk.trial)
    blocks = [line(f"{asked.folder} can be read."), line(found.standing), line(found.varies)]
    blocks += [*_left_out(disk), *_doubts(disk), *map(line, found.outgrown), *_no_factor(disk)]
    return report(*blocks, *map(line, (*found.unsaid, *found.beside, *found.waiting)))


def _no_factor(disk: OnDisk) -> list[Block]:
    """Columns of plan.csv that were factors once: kept, and what was weighed is read off in the present ones."""
    table, known = disk.tables.get("plan"), disk.trial.plan
    frame = table.to_frame() if table else known
    counts = {column: int((frame[column] != "").sum()) for column in frame if column not in known}
    told = words_joined([f"{column} ({plural(count, 'row')})" for column, count in counts.items() if count])
    return [line(f"Kept in plan.csv, and no factor of trial.toml any more: {told}. What was weighed is read off in "
                 "what varies now.")] * any(counts.values())


def _left_out(disk: OnDisk) -> list[Block]:
    """Pours that cannot be expressed in the present factors, why, and in which row of which file."""
    at = disk.trial.left_out_at
    return [line(f"Left out: {_row_of(disk.tables, *at[pour])}{why}") for pour, why in disk.trial.left_out.items()]


def _row_of(tables, table: str, name: str) -> str:
    """`pours.csv row 5: `, the last row of a pour or melt."""
    frame = tables[table].to_frame() if table in tables else {}
    rows = [row for row, cell in frame[table[:-1]].items() if parse_id(cell) == name] if len(frame) else []
    return f"{file_of(table)} row {rows[-1]}: " if rows else ""


def _doubts(disk: OnDisk) -> list[Block]:
    """What stands in the tables and can hardly be so, or should stand there."""
    files = doubts_on_files(disk.folder, disk.tables, disk.trial)
    return [line(f"In doubt: {why}") for why in (*files, *disk.trial.doubts)]


def rehearsed(asked) -> Report:
    """The next rounds played many times, on all processors; on a terminal it says how far it is."""
    trial = labkit.read_trial(asked.folder)
    _check_pots(asked, trial)

    def progress(done: int, total: int) -> None:
        if sys.stderr.isatty():
            print(f"\r{done} of {total} rehearsals", end="" if done < total else "\n", file=sys.stderr, flush=True)

    found = labkit.rehearse_many(trial, seeds=range(asked.times), rounds=asked.rounds, pours=asked.pours,
                                 melts=min(asked.melts, asked.pours), workers=min(os.cpu_count() or 1, 64),
                                 progress=progress)
    return report(line(told_standing(trial)), *found._report().blocks)


def next_tweak(asked) -> Report:
    """The panel, the surfaces, the next round, the formula settled on, the advice, the cautions, the notebooks."""
    disk = read_folder(asked.folder)
    trial = disk.trial
    planned = _unpoured(trial)
    if planned is not None:
        kept = _kept(asked, trial, planned, append=False)
        blocks = [line(told_standing(trial)), *_left_out(disk), *map(line, told_unjudged(trial))]
        return report(*blocks, *_round_blocks(planned, "Planned, and not poured yet"), *kept,
                      *map(line, told_waiting(trial)), line(_instead(asked, planned)), *_ending())
    first = [line(first_of_all(trial))] if first_of_all(trial) else []
    if newest_waits(trial):
        blocks = [line(told_standing(trial)), *_left_out(disk), *map(line, told_beside(trial) + told_unfinished(trial)),
                  *_findings(trial)]
        return report(*blocks, heading("Advice"), *first, line(_no_round(asked)), *_ending())
    _check_pots(asked, trial)
    tweak = labkit.suggest_next(trial, pours=asked.pours, melts=min(asked.melts, asked.pours), seed=asked.seed)
    told = told_outgrown(trial) + told_unsaid(trial) + told_beside(trial) + told_unfinished(trial)
    blocks = [line(told_standing(trial)), *_left_out(disk), *_doubts(disk), *map(line, told), *first, *_findings(trial)]
    blocks += _round_blocks(tweak.round, "If you go on" if tweak.stop else "Pour next") + _reasons(tweak)
    blocks += _kept(asked, trial, tweak.round, append=True) + _settled(trial, tweak) + _advice(tweak) + _ending()
    return report(*blocks)


def _instead(asked, planned: Round) -> str:
    """How to be rid of a round that is planned, and which options play no part beside it."""
    play = "plays" if len(asked.said) == 1 else "play"
    ignored = f", so {words_joined(asked.said)} {play} no part" * bool(asked.said)
    return (f"Round {planned.number} is planned already{ignored}. To plan another in its place, delete its rows in "
            "plan.csv, and ask again.")


def _no_round(asked) -> str:
    """Why there is no round where pours wait to be judged."""
    kept = ", and none is kept" * bool(asked.keep)
    return f"No new round is planned before it is known what the newest one taught{kept}. Then ask again."


def _kept(asked, trial: Trial, round_: Round, *, append: bool) -> list[Block]:
    """With --keep: the round in plan.csv and its bench sheet beside it."""
    if not asked.keep:
        return []
    if append and (waits := _waiting(trial)):
        return [line(f"Round {round_.number} is not kept: {waits} Then ask again.")]
    if append:
        labkit.append_round(asked.folder, round_)
    try:
        sheet = labkit.keep_sheet(asked.folder, f"round-{round_.number}", labkit.bench_sheet(trial, round_))
    except StoreError as problem:
        fact = str(problem).rpartition(". ")[0]
        raise StoreError(f"round {round_.number} is in plan.csv, but its bench sheet is not kept: {fact}. Mend that, "
                         "and ask again with --keep.") from None
    return [line(f"Round {round_.number} is in plan.csv; its bench sheet, to print: {sheet}")]


def _waiting(trial: Trial) -> str:
    """What is to be done first about pours of the newest round that wait to be poured or judged; or nothing."""
    late, bare = unpoured(trial), unjudged(trial)
    told = [f"{words_joined(late)} {_wait(late)} to be poured. Pour as planned, or delete in plan.csv the row of what "
            "will not be made."] * bool(late)
    told += [f"{words_joined(bare)} {_wait(bare)} to be judged. Have that done, or set aside (set_aside) what will not "
             "be judged."] * bool(bare)
    return " ".join(told)


def _wait(pours: list[str]) -> str:
    return "waits" if len(pours) == 1 else "wait"


def _unpoured(trial: Trial) -> Round | None:
    """The newest round, where none of its pours is recorded."""
    if not len(trial.plan):
        return None
    newest = kept_round(trial, trial.plan["round"].max())
    return None if len(unpoured(trial)) < len(newest.pours) else newest


def _findings(trial: Trial) -> list[Block]:
    """What the panel and the surfaces say so far."""
    if not len(trial.judged):
        return []
    panel = labkit.appraise_panel(trial) if len(trial.standing_scores) else None
    surfaces = labkit.fit_surfaces(trial, panel)
    said = [heading("The panel"), *(line(text) for text in panel.in_two_lines())] if panel else []
    return [*said, heading("The surfaces"), *(line(surface.in_one_line()) for surface in surfaces.values())]


def _round_blocks(round_: Round, title: str) -> list[Block]:
    """Grams into each pot, then the pours in pour order."""
    first, *rest = round_._report().blocks
    return [heading(f"{title} ({first.text[:1].lower()}{first.text[1:]})"), *rest]


def _reasons(tweak: Tweak) -> list[Block]:
    """Why these pours; pours with one and the same reason share a line."""
    alike = tweak.reasons.groupby("why", sort=False)["pour"].agg(words_joined)
    return [line(f"{pours}: {why}.") for why, pours in alike.items()]


def _settled(trial: Trial, tweak: Tweak) -> list[Block]:
    """Today's best formula: its grams, its factors and settings, and what to expect of it."""
    best, pour = tweak.best.iloc[0], f"{trial.batch.pour_g:g}"
    grams = words_joined([f"{trial.batch.told(best[f'{name} [g]'])} {name}" for name in trial.recipe.ingredients])
    units = {setting.name: unit_text(setting.unit) for setting in trial.recipe.setting_list}
    places = ", ".join(f"{c} {short_text(best[c])} {units.get(c, '')}".strip() for c in trial.recipe.coordinates)
    blocks = [heading("The formula it would settle on today"), line(f"Grams for a pour of {pour}: {grams}."),
              line(f"That is {places}.")]
    mean = "mean score or reading" if trial.read_attributes else "mean score"
    if not len(tweak.predictions):
        return blocks
    return [*blocks, predicted(tweak, title=f"Predicted there: {mean}, with a 90 % interval")]


def _advice(tweak: Tweak) -> list[Block]:
    advice = tweak.advice.replace("formula below", "formula above")          # a tweak's own report has it below
    return [heading("Advice"), *(line(part) for part in advice.split("\n"))]


def _ending() -> list[Block]:
    cautions = " ".join(f"{name}: {CAUTIONS[name][0].lower()}{CAUTIONS[name][1:]}" for name in AT_THE_BENCH)
    return [heading("Cautions"), line(cautions), line(NOTEBOOKS)]


if __name__ == "__main__":
    raise SystemExit(main())
