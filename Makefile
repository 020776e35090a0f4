# make demo   mines the sample club              make test        passes the tests
# make lint   what runs before a commit          make test-slow   the tests that need minutes
# make bench  the benchmarks                     make growth      how time and memory grow with the games, with a figure
# make proofs what holds on games held out, with figures
# make lock   writes requirements/ anew from pyproject.toml (OPTIONS=--upgrade: with the newest versions), and
#             tools/page/package-lock.json from the package.json there
# make page-types checks the types of the page's scripts; a part of make lint
# make docs   makes the site in out/docs
# make audit  asks for known vulnerabilities of what is installed
# make fuzz   tries the readers on texts that a fuzzer makes up; needs Linux or macOS, and clang
# make wheels makes the wheels of all platforms in dist/, compiled for each from here
# make clean  forgets .venv and out/
#
# Each of them sets up what it needs: .venv with the program, a UCI engine if there is none, and for the tests
# of pages the browser Chromium.

PYTHON ?= python3
BIN := .venv/bin
# Tests of one file stay together, since they share what is slow to make.
SIDE_BY_SIDE := --numprocesses auto --maxprocesses 4 --dist loadfile --no-loadscope-reorder
NPM_OPTIONS := --silent --ignore-scripts --no-audit --no-fund --omit-lockfile-registry-resolved

.PHONY: demo test test-slow lint docs page-types bench growth proofs lock audit engine browser clean fuzz wheels

demo: .venv/installed engine
	$(BIN)/miner demo --out out

test: .venv/developing engine browser
	$(BIN)/pytest -m "not slow" $(SIDE_BY_SIDE)

test-slow: .venv/developing engine browser
	$(BIN)/pytest -m slow

lint: .venv/developing page-types
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

docs: .venv/developing
	$(BIN)/sphinx-build --quiet --fail-on-warning --keep-going -b html docs out/docs

# The types that the comments of the page's scripts tell, held against the code and against what Python puts into
# a page. Nothing is built: the page holds the scripts as they are.
page-types: .venv/page/installed
	$(BIN)/python -m tests.report.page_types .venv/page/told.ts
	$(BIN)/node .venv/page/node_modules/typescript/bin/tsc --project jsconfig.json

fuzz: .venv/developing
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e ".[fuzz]"
	for target in splitter pieces headers ledger settings names core; do $(BIN)/python -m tests.fuzz $$target || exit 1; done

wheels: .venv/developing
	for target in $$($(BIN)/python tools/wheel_hook.py targets); do \
	    MINER_TARGET=$$target $(BIN)/python -m hatchling build -t wheel -d dist || exit 1; done

bench: .venv/developing engine
	sh benchmarks/all.sh $(BIN)/python

growth: .venv/developing engine
	$(BIN)/python benchmarks/growth.py --json benchmarks/results --figure docs/growth.png

proofs: .venv/developing engine
	sh benchmarks/proofs.sh $(BIN)/python

lock: .venv/tools/installed .venv/developing
	sh tools/lock.sh .venv/tools/bin/uv $(OPTIONS)
	cd tools/page && ../../$(BIN)/npm install --package-lock-only $(NPM_OPTIONS)

audit: .venv/tools/installed
	.venv/tools/bin/pip-audit --strict --disable-pip -r requirements/dev.txt

.venv/bin/python:
	@echo "Making a virtual environment in .venv"
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "the miner needs Python 3.11 or newer, this is " + sys.version.split()[0])'
	@$(PYTHON) -m venv .venv || { rm -rf .venv; echo "Install the package python3-venv, then try again"; exit 1; }

# Every file is checked against its hash. What builds comes first, so that no build fetches anything by itself.
define install
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/build.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes --no-build-isolation -r $(1)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
endef

CORE := miner/core/core.c miner/core/core.h miner/core/polyglot.h tools/wheel_hook.py

.venv/installed: $(CORE) pyproject.toml requirements/build.txt requirements/demo.txt .venv/bin/python
	@echo "Installing the miner and what it needs into .venv, in the versions of requirements/demo.txt"
	$(call install,requirements/demo.txt)
	@touch $@

.venv/developing: $(CORE) pyproject.toml requirements/build.txt requirements/dev.txt .venv/bin/python
	@echo "Installing the miner, what it needs and the tools for its tests into .venv, in the versions of requirements/dev.txt"
	$(call install,requirements/dev.txt)
	@touch .venv/installed $@

.venv/page/installed: tools/page/package.json tools/page/package-lock.json .venv/developing
	@mkdir -p .venv/page && cp tools/page/package.json tools/page/package-lock.json .venv/page
	cd .venv/page && ../bin/npm ci $(NPM_OPTIONS)
	@touch $@

.venv/tools/installed: requirements/tools.txt .venv/bin/python
	@$(BIN)/python -m venv .venv/tools
	.venv/tools/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/tools.txt
	@touch $@

engine:
	@sh tools/get-engine.sh

browser:
	@sh tools/get-browser.sh

clean:
	rm -rf .venv out
