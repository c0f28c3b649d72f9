# make demo: the main job on the simulated bench.  make test: the tests.  make check: lint, types, tests.
# make prove-safety: what becomes of a served high-voltage run whose harness dies, hangs or loses a link; minutes.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test check prove-records prove-drift prove-safety lock clean

demo: .venv/runtime
	$(BIN)/breakerbench demo

test: .venv/dev
	$(BIN)/python -m pytest

check: .venv/dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest

prove-records: .venv/dev
	$(BIN)/python -m tests.benchmarks.kills

prove-drift: .venv/dev
	$(BIN)/python -m tests.benchmarks.drift

prove-safety: .venv/dev
	PYTHONPATH=tests $(BIN)/python tests/benchmarks/safety.py

# Two stamps: the demo needs no test tools.
.venv/runtime: requirements.lock pyproject.toml
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $@

.venv/dev: .venv/runtime requirements-dev.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock
	touch $@

# Needs uv; run it after a change of the dependencies in pyproject.toml.
lock:
	uv pip compile --quiet --universal --generate-hashes --no-header --extra build -o requirements.lock pyproject.toml
	uv pip compile --quiet --universal --generate-hashes --no-header --extra build --extra dev \
		-c requirements.lock -o requirements-dev.lock pyproject.toml

clean:
	rm -rf .venv dist
