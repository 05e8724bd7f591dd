"""No file over 400 lines, no function over 60, none that is called with more than six things in a row."""

from tests.house import PRODUCT, files, functions, hold, text, tree

MOST_LINES = 400
MOST_FUNCTION_LINES = 60
MOST_IN_A_ROW = 6

KNOWN: dict[str, str] = {}


def test_no_file_is_over_400_lines() -> None:
    found = {}
    for path in files(*PRODUCT, "tests", suffixes=(".py", ".js", ".css", ".html")):
        lines = len(text(path).splitlines())
        if lines > MOST_LINES:
            found[path] = f"{lines} lines"
    hold(
        f"A file has at most {MOST_LINES} lines: split it by subject.",
        found,
        {place: why for place, why in KNOWN.items() if "::" not in place},
        "tests/house/test_sizes.py",
    )


def test_no_function_is_over_60_lines_or_takes_more_than_six_in_a_row() -> None:
    found = {}
    for path in files(*PRODUCT, "tests"):
        for name, function in functions(tree(path)):
            lines = (function.end_lineno or 0) - function.lineno + 1
            row = [
                one.arg for one in (*function.args.posonlyargs, *function.args.args) if one.arg not in ("self", "cls")
            ]
            faults = []
            if lines > MOST_FUNCTION_LINES:
                faults.append(f"{lines} lines")
            # pytest hands fixtures to a test by name
            if len(row) > MOST_IN_A_ROW and not function.name.startswith("test_"):
                faults.append(f"takes {len(row)} in a row")
            if faults:
                found[f"{path}::{name}"] = ", ".join(faults)
    hold(
        f"A function has at most {MOST_FUNCTION_LINES} lines and takes at most {MOST_IN_A_ROW} arguments by position: "
        "split it, group what belongs together, or make keyword-only what is optional.",
        found,
        {place: why for place, why in KNOWN.items() if "::" in place},
        "tests/house/test_sizes.py",
    )
