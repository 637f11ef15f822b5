# The two commands of the README are `make books` and `make test`; both set everything up in .venv first.
PYTHON ?= python3
BIN    := .venv/bin
READY  := .venv/.ready
MONTH  ?= 2026-06
OUT    ?= books

TESTS := pytest -n 2 --dist loadfile --no-loadscope-reorder --nbval-lax -q tests notebooks

.PHONY: books test slow coverage check lab bench calibrate sample-data clean

books: $(READY)
	$(BIN)/cmkit books sample_data --month $(MONTH) --out $(OUT)

# Types are checked beside the tests, and each of the two test processes has one core.
test slow coverage: export OMP_NUM_THREADS = 1
test slow coverage: export OPENBLAS_NUM_THREADS = 1
test: $(READY) debian
	$(BIN)/ruff check . && $(BIN)/ruff format --check . && $(BIN)/python -m compileall -q cmkit
	@$(BIN)/mypy & types=$$!; $(BIN)/python -m $(TESTS); tests=$$?; \
	wait $$types || { echo 'mypy found faults: see above'; exit 1; }; exit $$tests

# What takes minutes: the same questions over more seeds, kills and sites, and guides with the network cut.
slow: $(READY) debian
	$(BIN)/python -m pytest -n 2 --dist loadfile -q -m slow tests

# The same tests with the lines counted; fails under the floor of pyproject.toml. Takes longer than the tests alone.
coverage: $(READY) debian
	@mkdir -p .made && rm -f .made/coverage*
	-$(BIN)/coverage run -m $(TESTS)
	$(BIN)/coverage combine --quiet && $(BIN)/coverage report

check: $(READY)
	$(BIN)/cmkit check sample_data

lab: $(READY)
	@echo 'Ten guides, guide_01 to guide_10; cmkit guides DIR copies them out with a page of all names.'
	$(BIN)/jupyter lab notebooks/guide_01_own_data.ipynb

bench: $(READY)
	$(BIN)/python -m tests.benchmarks

calibrate: $(READY)
	$(BIN)/python -m tests.benchmarks calibrate

sample-data: $(READY)
	$(BIN)/python -m cmkit.simulate sample_data/recipe.toml .sample_data.new && rm -r sample_data && mv .sample_data.new sample_data

$(READY): constraints.txt pyproject.toml
	@$(PYTHON) -c 'import sys; v = sys.version_info; sys.exit(None if v >= (3, 11) else f"cmkit needs Python 3.11 or newer, found {v[0]}.{v[1]}: make PYTHON=/path/to/python3.11")'
	$(PYTHON) -m venv --clear .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r constraints.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $(READY)

# Debian's packages the tests drive: a browser, and a database server started on loopback.
.PHONY: debian
debian:
	@command -v chromium >/dev/null || set -- chromium; \
	ls /usr/lib/postgresql/*/bin/postgres >/dev/null 2>&1 || set -- "$$@" postgresql; \
	[ $$# = 0 ] || { $(SUDO) apt-get update -qq && DEBIAN_FRONTEND=noninteractive $(SUDO) apt-get install -y -qq --no-install-recommends "$$@" >/dev/null; }
SUDO := $(shell [ "$$(id -u)" = 0 ] || echo sudo)

clean:
	rm -rf .venv .made books
