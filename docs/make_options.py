"""Write options.md, every option of every command, from what `--help` is made of."""

from __future__ import annotations

import argparse
from pathlib import Path

from raster2path.cli import _parser
from raster2path.settings import BY_KEY

HERE = Path(__file__).parent

HEAD = """# Options

Every option of every command, with the key of each setting in `job.toml`. `docs/make_options.py`
writes this page from what `raster2path COMMAND --help` shows.

A plain number is millimetres; `60cm`, `24in`, `2ft` and `1.5m` are understood wherever a length is
asked for. Options are never abbreviated.
"""


def page() -> str:
    """The whole page."""
    top = _parser()
    (commands,) = (a for a in top._actions if isinstance(a, argparse._SubParsersAction))  # noqa: SLF001
    told = {choice.dest: choice.help for choice in commands._choices_actions}  # noqa: SLF001
    parts = [HEAD]
    for name, parser in commands.choices.items():
        parts.append(f"## raster2path {name}\n\n{_sentence(str(told[name]))}\n")
        for group in parser._action_groups:  # noqa: SLF001
            actions = [a for a in group._group_actions if a.dest != "help" and a.help]  # noqa: SLF001
            if not actions:
                continue
            if group.title not in ("positional arguments", "options"):
                parts.append(f"### {_sentence(str(group.title)).rstrip('.')}\n")
            parts.append("| | key | meaning |\n|---|---|---|")
            parts += [_row(action) for action in actions]
            parts.append("")
    return "\n".join(parts).rstrip("\n") + "\n"


def _row(action: argparse.Action) -> str:
    metavar = action.metavar or ("" if action.nargs == 0 else action.dest.upper())
    words = " ".join([*action.option_strings[-1:], str(metavar)]).strip()
    is_key = action.dest in BY_KEY or action.dest == "lettering"
    key = f"`{action.dest}`" if is_key else "`thickness_mm`" if action.dest == "gauge" else ""
    meaning = str(action.help).replace("|", "\\|").replace("%%", "%")
    return f"| `{words}` | {key} | {meaning} |".replace("|  |", "| |")


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


if __name__ == "__main__":
    (HERE / "options.md").write_text(page(), encoding="utf-8")
