# demo   the whole job on made-up drives, cards and bucket; keeps its folder (DIRECTORY=demo-world)
# test   every test, with coverage by branch (ARGS="..." goes to pytest)
# break  tries to lose something, at length (STEPS=10000 against the model, killed at every system call,
#        without power and on sick devices at random ones (CUTS=60 of each deed);
#        what fails says how to try just that again: SEED=7 STEPS=1 ..., MOMENT=12 ...)
# lint   format, style, types, layers, known vulnerabilities
# audit  only the last of these: whether what constraints.txt names has any; says what could not be checked
# mutate changes the program in small ways, one at a time, and names the changes that no test notices
#        (MODULES="core/policy core/verdict" TESTS=tests/core says where and by which tests; .mutate/ is made anew)
# bench  ratios against what one would type by hand (ARGS="-k verify" picks one); needs root for cold caches
# venv   .venv with everything that the above need
#
# Needs make and a Python of 3.11 or newer with venv; PYTHON=/path/to/python names one.

SHELL := /bin/sh
BIN := .venv/bin
DIRECTORY ?= demo-world
WORKERS ?= 2
PYTHON ?=
ARGS ?=
STEPS ?= 10000
SEED ?=
MOMENT ?=
MODULES ?= core/verdict
TESTS ?= tests/core
PIP := $(BIN)/python -m pip --disable-pip-version-check install --quiet

.PHONY: demo test break lint audit mutate bench venv clean
.DELETE_ON_ERROR:

demo: .venv/.has-demo
	$(BIN)/python -m backupkeeper demo --directory "$(DIRECTORY)"

test: .venv/.has-dev
	$(BIN)/python -m coverage erase
	$(BIN)/python -m coverage run -m pytest -n $(WORKERS) --dist loadgroup $(ARGS)
	$(BIN)/python -m coverage combine --quiet
	@echo "Coverage by branch of core/, which decides (must be 100 %):"
	$(BIN)/python -m coverage report --include='backupkeeper/core/*' --fail-under=100 --skip-covered --show-missing
	@echo "Coverage by branch of everything (must be at least 90 %):"
	$(BIN)/python -m coverage report --skip-covered --show-missing

break: .venv/.has-dev
	BACKUPKEEPER_STEPS=$(STEPS) BACKUPKEEPER_SEED=$(SEED) BACKUPKEEPER_MOMENT=$(MOMENT) $(BIN)/python -m pytest -q -s -p no:randomly -p no:cacheprovider -o faulthandler_timeout=0 tests/breaking $(ARGS)

lint: .venv/.has-dev
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m tests.architecture.audit constraints.txt

audit: .venv/.has-dev
	$(BIN)/python -m tests.architecture.audit constraints.txt

mutate: .venv/.has-dev
	$(PIP) -c constraints.txt --group mutate
	rm -rf .mutate
	mkdir .mutate
	cp -R backupkeeper tests systemd Makefile LICENSE *.md *.toml constraints.txt .mutate
	printf '%s\n' '[tool.mutmut]' 'source_paths = ["backupkeeper"]' \
	  'only_mutate = [$(foreach module,$(MODULES),"backupkeeper/$(module).py",)]' \
	  'pytest_add_cli_args = ["-p", "no:randomly", "-p", "no:cacheprovider", "-n", "0", "-q", "-x"]' \
	  'pytest_add_cli_args_test_selection = [$(foreach test,$(TESTS),"$(test)",)]' \
	  'also_copy = ["systemd", "Makefile", "LICENSE", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "config.example.toml", "constraints.txt"]' \
	  >> .mutate/pyproject.toml
	cd .mutate && "$(abspath $(BIN))/mutmut" run --max-children 1 > run.log; status=$$?; tr '\r' '\n' < run.log | tail -n 2; exit $$status
	cd .mutate && "$(abspath $(BIN))/mutmut" results

bench: .venv/.has-dev
	$(BIN)/python -m pytest -q -s -p no:randomly -p no:cacheprovider -o timeout=3600 -o faulthandler_timeout=0 -o python_files='bench_*.py' -o python_functions='bench_*' tests/benchmarks $(ARGS)

venv: .venv/.has-dev

clean:
	rm -rf .venv .mutate .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache .coverage .coverage.*

.venv/.made: Makefile
	@found=; \
	for python in $(PYTHON) python3 python3.14 python3.13 python3.12 python3.11; do \
	  if "$$python" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then found=$$python; break; fi; \
	done; \
	if [ -z "$$found" ]; then \
	  echo "backupkeeper needs Python 3.11 or newer with its venv module, and none was found here." >&2; \
	  echo "On Debian: apt-get install python3 python3-venv. Or name one: make PYTHON=/path/to/python3.12 ..." >&2; \
	  exit 1; \
	fi; \
	echo "Making .venv with $$found"; \
	"$$found" -m venv .venv
	$(PIP) --upgrade 'pip>=25.1'
	@touch $@

.venv/.has-demo: .venv/.made pyproject.toml constraints.txt
	$(PIP) -c constraints.txt -e '.[demo]'
	@touch $@

.venv/.has-dev: .venv/.has-demo
	$(PIP) -c constraints.txt --group dev
	@touch $@
