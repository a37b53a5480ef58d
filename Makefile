# Two commands do all set-up on a fresh machine: `make demo` and `make test`.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test test-slow check format hooks lock benchmark clean

demo: .venv/ready
	$(BIN)/pitchledger demo demo_workspace

# A file's tests share their fixtures, so a worker gets complete files; tests/conftest.py puts the longest files first.
# Pytest rewrites the assertions of each test file, which takes ten seconds, and keeps the result only if Python may write bytecode.
PYTEST := PYTHONDONTWRITEBYTECODE= $(BIN)/python -m pytest -q -n auto --dist loadfile --no-loadscope-reorder

# every rule once; the aim is 150 s on two cores
test: .venv/ready
	$(PYTEST)

# every kill, every fault point, many examples, real servers and processes; then coverage, with its floor: some minutes
test-slow: .venv/ready
	$(PYTEST) -m "slow and not long" --cov --cov-report=term:skip-covered

check: .venv/ready
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m tests.check_style

format: .venv/ready
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

# local commit hooks: format, lint, words, commit message
hooks: .venv/ready
	install -m 755 .ci/pre-commit .ci/commit-msg "$$(git rev-parse --git-path hooks)"

benchmark: .venv/ready
	$(BIN)/python -m tests.benchmarks.bench_night

# run by hand only, never by a build
lock: .venv/ready
	$(BIN)/uv pip compile --universal --generate-hashes --no-emit-index-url --no-header --python-version 3.11 --extra dev pyproject.toml -o requirements.lock

clean:
	rm -rf .venv .coverage demo_workspace .pytest_cache .mypy_cache .ruff_cache

.venv/ready: requirements.lock pyproject.toml
	$(PYTHON) -c 'import sys; sys.version_info >= (3, 11) or sys.exit("pitchledger needs Python 3.11 or later; set PYTHON=...")'
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	# pip compiles what it installs, but not the linked checkout
	$(BIN)/python -m compileall -q pipeline schemas
	touch .venv/ready
