"""Words that Coldframe once used and what they are called now, for messages about unknown words.

An old word is an error, never taken silently: whoever wrote it reads the new one in the message.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping

RENAMED: Mapping[str, Mapping[str, str]] = {
    "recipe": {"vet": "inspect"},
    "inspect": {"odd_share": "unlike_the_rest"},
    "input": {"biases": "bias-frames"},
    "notes": {"keep": "use_anyway"},
    "command": {
        "--keep": "--use-anyway",
        "--no-each-night": "--combined-only",
        "--no-vet": "--no-inspect",
        "--positions": "--dither-positions",
        "--proof": "--compare-masters",
        "--set": "--with",
    },
    "command camera advise": {"--overhead": "--pause", "--share": "--read-noise-share"},
    "command plugin new --kind": {"frame": "step"},
    "command scale": {"--overhead": "--task-overhead"},
    "command shotlist": {"--overhead": "--pause", "--share": "--noise-share"},
    "step background-fit": {
        "samples": "patches_across",
        "box": "patch_size",
        "smoothing": "stiffness",
        "mode": "remove_by",
        "protect": "protect_nebula",
        "target": "exclude_circle",
    },
    "step combine": {"max_outliers": "most_rejected"},
    "step integrate": {
        "background": "match_sky",
        "grow": "trail_margin",
        "max_outliers": "most_rejected",
    },
    "step register": {"clamp": "limit_ringing"},
    "writer png.stretch": {"linked": "together"},
}
"""Place -> old word -> new word, or a sentence where no single word took its place.

Places, each with the words that may stand there:

"recipe"             keys of a recipe outside `with:` blocks
"inspect"            limits of the inspection
"input"              inputs and steps of the shipped recipes, where `from:` and the like name them
"step NAME"          parameters of a step
"step NAME.PARAM"    values that a step's parameter takes
"writer NAME"        options under `outputs:`
"writer NAME.OPTION" values that such an option takes
"notes"              keys and columns of notes files
"command"            commands, and options of every command
"command NAME"       options of one command, such as "command run" or "command camera measure"
"command NAME --OPT" words that such an option takes
"""


def now_called(word: str, *places: str) -> str:
    """What an old word is called now, as the tail of a message; nothing when it was never known."""
    for place in places:
        new = RENAMED.get(place, {}).get(word)
        if new is not None:
            return f"; {new}" if " " in new else f"; it is now called '{new}'"
    return ""


def nearest(word: str, names: Iterable[str], what: str = "known", place: str = "") -> str:
    """A tail for a message about an unknown word: its new name, the nearest one, or all there are.

    `what` says what the names are; `place` is one of those of `RENAMED`.
    """
    renamed = now_called(word, place)
    if renamed:
        return renamed
    names = list(names)
    close = difflib.get_close_matches(str(word), names, n=1, cutoff=0.5)
    if close:
        return f"; did you mean '{close[0]}'?"
    return f"; {what}: {', '.join(names)}" if names else ""
