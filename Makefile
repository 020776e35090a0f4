# make demo   mines the sample club              make test        passes the tests
# make lint   what runs before a commit          make test-slow   the tests that need minutes
# make bench  the benchmarks                     make proofs      what holds on games held out, with figures
# make clean  forgets .venv and out/
#
# Each of them sets up what it needs: .venv with the program, a UCI engine if there is none, and for the tests
# of pages the browser Chromium.

PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test test-slow lint bench proofs engine browser clean

demo: .venv/installed engine
	$(BIN)/miner demo --out out

test: .venv/developing engine browser
	$(BIN)/pytest -m "not slow"

test-slow: .venv/developing engine browser
	$(BIN)/pytest -m slow

lint: .venv/developing
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: .venv/developing engine
	sh benchmarks/all.sh $(BIN)/python

proofs: .venv/developing engine
	sh benchmarks/proofs.sh $(BIN)/python

.venv/bin/python:
	@echo "Making a virtual environment in .venv"
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "the miner needs Python 3.11 or newer, this is " + sys.version.split()[0])'
	@$(PYTHON) -m venv .venv || { rm -rf .venv; echo "Install the package python3-venv, then try again"; exit 1; }

.venv/installed: pyproject.toml .venv/bin/python
	@echo "Installing the miner and what it needs into .venv"
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e ".[print]"
	@touch $@

.venv/developing: pyproject.toml .venv/bin/python
	@echo "Installing the miner, what it needs and the tools for its tests into .venv"
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e ".[dev]"
	@touch .venv/installed $@

engine:
	@sh tools/get-engine.sh

browser:
	@sh tools/get-browser.sh

clean:
	rm -rf .venv out
