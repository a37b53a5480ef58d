"""Check words and test names: `python -m tests.check_style`, a part of `make check`.

Prints every phrasing of words.toml and every test name above 80 characters with its place; the exit code is 1 where there is one.
"""

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from fnmatch import fnmatch
from pathlib import Path

PROJECT = Path(__file__).parents[1]
LONGEST_TEST_NAME = 80


def tracked_files() -> list[str]:
    """Files under version control and new ones that are not ignored."""
    words = ["git", "ls-files", "-co", "--exclude-standard"]
    listed = subprocess.run(words, cwd=PROJECT, capture_output=True, text=True, check=True).stdout
    return [name for name in listed.splitlines() if (PROJECT / name).is_file()]


def find_phrasings(names: list[str]) -> Iterator[str]:
    """Yield a line for each phrasing to replace."""
    rules = tomllib.loads((PROJECT / "tests" / "words.toml").read_text("utf-8"))
    phrases = [(re.compile(rule["pattern"]), rule["use"]) for rule in rules["phrase"]]
    for name in names:
        if Path(name).suffix not in rules["suffixes"] or any(fnmatch(name, place) for place in rules["except"]):
            continue
        for number, line in enumerate((PROJECT / name).read_text("utf-8").splitlines(), 1):
            for pattern, use in phrases:
                if found := pattern.search(line):
                    yield f"{name}:{number}: {found.group(0)!r}: write {use}"


def find_long_test_names(names: list[str]) -> Iterator[str]:
    """Yield a line for each test name that is too long."""
    for name in names:
        if not fnmatch(name, "tests/test_*.py"):
            continue
        for node in ast.walk(ast.parse((PROJECT / name).read_text("utf-8"))):
            is_test = isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
            if is_test and len(node.name) > LONGEST_TEST_NAME:
                yield f"{name}:{node.lineno}: {node.name}: {len(node.name)} characters, {LONGEST_TEST_NAME} are allowed"


def main() -> None:
    """Print what has to change."""
    names = tracked_files()
    found = [*find_phrasings(names), *find_long_test_names(names)]
    for line in found:
        print(line)
    sys.exit(1 if found else 0)


if __name__ == "__main__":
    main()
