# Everything that people and machines run here. 'make' alone lists it.
# Each target sets up what it needs; the second time that takes no time.

VENV := .venv
BIN := $(VENV)/bin
SUPPORTED := 3.11 or newer
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet install
HOOK := worker/nearfar/merge/kernel/build_hook.py
WEB := api/nearfar_api/web
WEB_HOOK := $(WEB)/build_hook.py
VALIDATOR := iiif-validator==1.0.5
# Test processes at a time: some more than processors, since many tests wait for something to happen.
JOBS ?= $(shell echo $$(($$(nproc) + 4)))
UV := uv==0.13.9
COMPILE := $(BIN)/uv pip compile --quiet --universal --fork-strategy fewest --python-version 3.11 \
	--generate-hashes --no-emit-index-url --no-annotate --no-header

# The first Python that is new enough and can make environments; PYTHON=... names another one.
FIND_PYTHON = for p in $(PYTHON) python3 python3.13 python3.12 python3.11 python3.14; do \
	$$p -c 'import sys, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && echo $$p && break; done

# Compiled modules are kept: a test starts up to six processes, and each would compile all of ours again.
unexport PYTHONDONTWRITEBYTECODE

.DEFAULT_GOAL := help
.PHONY: help setup kernel web demo test pictures conformance audit check format storm outages bench train wheel lock clean

help:  ## list what can be made
	@sed -n 's/^\([a-z]*\):.*## /\1\t/p' $(MAKEFILE_LIST) | expand -t 13

setup: $(VENV)/.project kernel web  ## make the environment in .venv, compile the kernel, fetch what the pages use

$(VENV)/.packages: config/requirements.lock config/compiler.lock config/node.lock
	@python=$$($(FIND_PYTHON)); \
	if [ -z "$$python" ]; then \
		echo "No Python $(SUPPORTED) with the module ensurepip was found." >&2; \
		echo "Install one (on Debian: apt-get install python3 python3-venv), or name it: make PYTHON=/path/to/python3" >&2; \
		exit 1; \
	fi; \
	echo "Making $(VENV) with $$($$python --version); the first time this fetches about 200 MB." >&2; \
	$$python -m venv $(VENV)
	@$(PIP) --require-hashes --requirement config/requirements.lock
	@if [ -n "$$($(BIN)/python $(HOOK) --need)" ]; then \
		echo "No C compiler that works: using the one that a wheel carries." >&2; \
		$(PIP) --require-hashes --requirement config/compiler.lock; \
	fi
	@if [ -n "$$($(BIN)/python $(WEB_HOOK) --need)" ]; then \
		echo "No npm that works: using the one that a wheel carries." >&2; \
		$(PIP) --require-hashes --requirement config/node.lock; \
	fi
	@touch $@

$(VENV)/.project: $(VENV)/.packages pyproject.toml $(HOOK)
	@$(PIP) --no-build-isolation --no-deps --editable .
	@touch $@

kernel: $(VENV)/.project  ## compile the kernel if its sources changed
	@$(BIN)/python $(HOOK) >/dev/null

web: $(VENV)/.project  ## fetch third-party scripts for the pages, if they are missing or not what they should be
	@$(BIN)/python $(WEB_HOOK) >/dev/null

demo: setup  ## render a stack of frames and let a server merge it; Ctrl-C stops the server
	@$(BIN)/python -m tests.scenes.demo_server demo

test: setup  ## run the tests; ARGS='-k words' picks some
	@$(BIN)/python -m pytest --numprocesses $(JOBS) --dist loadfile --no-loadscope-reorder $(ARGS)

pictures: setup  ## renew the pictures in README.md
	@$(BIN)/python -m tests.acceptance.picturing

conformance: setup  ## run the IIIF validator on the server
	@$(BIN)/python -m tests.conformance

audit: setup  ## licences, pins and digests of dependencies, every route, what strangers may try
	@$(BIN)/python -m pytest -q tests/test_requirements.py tests/api/test_every_route.py tests/api/test_security.py

check: setup  ## style, types, and that version and changelog agree
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy
	@version=$$($(BIN)/python -c 'import nearfar; print(nearfar.__version__)'); \
	noted=$$(sed -n 's/^## \([0-9][^ ]*\).*/\1/p' CHANGELOG.md | head -n 1); \
	if [ "$$version" != "$$noted" ]; then \
		echo "worker/nearfar/__init__.py says version $$version, CHANGELOG.md ends with $$noted: make them agree." >&2; \
		exit 1; \
	fi

format: setup  ## put the code into the one style
	@$(BIN)/ruff check --fix .
	@$(BIN)/ruff format .

storm: setup  ## kill and freeze a working server; ARGS='--kills 200 --seed 7 --studio' takes about twenty minutes
	@$(BIN)/python -m tests.acceptance.storm $(ARGS)

outages: setup  ## take broker, store and data folder away from a working server, for a minute each
	@$(BIN)/python -m tests.acceptance.outages $(ARGS)

bench: setup  ## measure quality and speed on rendered scenes
	@$(BIN)/python -m tests.bench $(ARGS)

train: setup  ## make the weights of the learned chooser; needs PyTorch in the environment, and an accelerator
	@$(BIN)/python -m tests.training $(ARGS)

wheel: setup  ## build dist/nearfar-*.whl for machines of this kind
	@$(BIN)/python -m pip --disable-pip-version-check --quiet wheel --no-build-isolation --no-deps --wheel-dir dist .

lock: setup  ## resolve the ranges of pyproject.toml into config/*.lock
	@$(PIP) $(UV)
	@mkdir -p build && rm -f build/*.part
	@$(COMPILE) pyproject.toml --extra dev --output-file build/requirements.part
	@$(COMPILE) pyproject.toml --extra heif --extra postgres --extra s3 --extra traces --constraint build/requirements.part \
		--output-file build/server.part
	@sed -n 's/^COMPILER_WHEEL = "\(.*\)"/\1/p' $(HOOK) | $(COMPILE) - --output-file build/compiler.part
	@sed -n 's/^requires = \["\(.*\)"\]/\1/p' pyproject.toml | $(COMPILE) - --constraint build/requirements.part \
		--output-file build/build.part
	@sed -n 's/^NODE_WHEEL = "\(.*\)"/\1/p' $(WEB_HOOK) | $(COMPILE) - --output-file build/node.part
	@echo "$(VALIDATOR)" | $(COMPILE) - --output-file build/conformance.part
	@$(BIN)/python $(WEB_HOOK) --record
	@for name in requirements server build compiler node conformance; do \
		{ sed '/^#/!d' config/$$name.lock; cat build/$$name.part; } > build/$$name.lock && mv build/$$name.lock config/; \
	done

clean:  ## remove everything that was made here
	@rm -rf $(VENV) build dist demo .pytest_cache .mypy_cache .ruff_cache .hypothesis
	@find worker api tests -name __pycache__ -prune -exec rm -rf {} +
	@rm -f worker/nearfar/merge/kernel/*.so worker/nearfar/merge/kernel/*.part
	@rm -rf $(WEB)/vendor
