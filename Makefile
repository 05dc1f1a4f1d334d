# Set-up and the two main jobs. On Windows use the commands of the README instead.
PYTHON ?= python3
BIN := .venv/bin
DEMO := build/demo

.PHONY: demo test lint bench study wheel-check lowest-check pins sample words reference fuzz clean

.venv/run: requirements.txt pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv .venv
	$(BIN)/python -m pip install -q --disable-pip-version-check --require-hashes -r requirements.txt
	$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps -e .
	touch $@

.venv/dev: .venv/run requirements-dev.txt
	$(BIN)/python -m pip install -q --disable-pip-version-check --require-hashes -r requirements-dev.txt
	touch $@

demo: .venv/run
	$(BIN)/wearlab demo $(DEMO) --sheets datasets_demo

test: .venv/dev
	$(BIN)/python -m pytest -n 2

lint: .venv/dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy --strict wearlab pipelines

bench: .venv/dev
	$(BIN)/python -m pytest tests/benchmarks -p no:xdist --benchmark-only

study: .venv/run
	$(BIN)/python -m studies.coverage docs/studies/coverage.csv
	$(BIN)/python -m studies.hindsight docs/studies/hindsight.csv
	$(BIN)/python -m studies.backtests docs/studies/backtests.csv
	$(BIN)/python -m studies.false_signals docs/studies/false_signals.csv
	$(BIN)/python -m studies.planted_causes docs/studies/planted_causes.csv
	$(BIN)/python -m studies.influences docs/studies/influences.csv
	$(BIN)/python -m studies.policies docs/studies/policies.csv

wheel-check: .venv/dev
	PYTHON=$(BIN)/python bash .ci/wheel_check

# The wheel with the lowest allowed version of each dependency.
lowest-check: .venv/dev
	LOWEST=1 PYTHON=$(BIN)/python bash .ci/wheel_check

sample: .venv/run
	$(BIN)/wearlab demo build/sample --sheets datasets_demo
	$(BIN)/python -m pipelines.steps.sample build/sample reports/sample V31 1 2026-10-31

# The catalogue of sentences, from the code, and what of it the other languages do not say yet.
words: .venv/run
	$(BIN)/pybabel -q extract -F babel.cfg -k _ -k _h -k msg -k _n:1,2 --omit-header --no-location --sort-output \
		--no-wrap -o wearlab/words/english.pot .
	for po in wearlab/words/*.po; do $(BIN)/pybabel -q update -i wearlab/words/english.pot -o $$po \
		-l $$(basename $$po .po) --no-fuzzy-matching --ignore-obsolete --no-wrap --omit-header || exit 1; done

reference: .venv/run
	$(BIN)/python -m pipelines.steps.settings_reference >docs/configuration.md

# Bytes that nobody meant, half an hour a target; fuzz/README.md says more.
fuzz: .venv/dev
	$(BIN)/python -m pip install -q --disable-pip-version-check atheris
	$(BIN)/python -m fuzz.run

# Pins with hashes for every platform; run it after changing pyproject.toml or requirements-dev.in.
PIN := uv pip compile -q --universal --python-version 3.11 --fork-strategy fewest --generate-hashes \
	--no-emit-index-url --no-header --no-annotate
pins:
	$(PIN) pyproject.toml -o requirements.txt
	$(PIN) requirements-dev.in -o requirements-dev.txt

clean:
	rm -rf build dist .venv
