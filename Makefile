# The commands of Strandline. `make demo` and `make test` are all a newcomer needs.
GO   ?= go
BUF  := $(GO) tool -modfile=tools/buf/go.mod buf
LINT := $(GO) tool -modfile=tools/lint/go.mod golangci-lint
BUILDFLAGS ?= -trimpath
# Linking and vetting take minutes on a small machine: tests need no debugger's tables, and make lint vets.
TESTFLAGS ?= -vet=off -ldflags='-s -w'
VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo dev)

.PHONY: help build demo test race fuzz lint generate fresh bench soak clean postgres

help: ## Say what there is
	@grep -hE '^[a-z]+:.*##' $(MAKEFILE_LIST) | awk -F ':.*## ' '{printf "  make %-10s %s\n", $$1, $$2}'

postgres:
	@tools/postgres.sh

build: ## Build bin/strandline
	@mkdir -p bin
	$(GO) build $(BUILDFLAGS) -ldflags "-X main.version=$(VERSION)" -o bin/strandline ./cmd/strandline

demo: postgres build ## Bring an invented chain of three shops in, report on it, play a service at its bench and a Saturday at its counters
	bin/strandline demo
	bin/strandline demo bench
	bin/strandline demo saturday

test: postgres ## Run every test, on a real PostgreSQL that the tests start
	$(GO) test $(TESTFLAGS) -timeout 15m ./...

ROUNDS ?= 10
soak: postgres ## Run every test, the random ones ROUNDS times as long
	STRANDLINE_ROUNDS=$(ROUNDS) GATE_CALLS=$$((10200 * $(ROUNDS))) $(GO) test $(TESTFLAGS) -count=1 -timeout 12h ./...

# The command line does one thing after another; what it starts is what internal/systemtest starts, and is raced there.
race: postgres ## Run the tests with the race detector; what takes long without races runs shorter or not at all
	$(GO) test -race -short $(TESTFLAGS) -timeout 20m $$($(GO) list ./... | grep -v /cmd/strandline)

FUZZTIME ?= 10s
fuzz: postgres ## Run every fuzz target for FUZZTIME
	@for f in $$(grep -rlE --include='*_test.go' '^func Fuzz' .); do \
		for t in $$(sed -nE 's/^func (Fuzz[A-Za-z0-9_]*).*/\1/p' $$f); do \
			echo "$$t $$(dirname $$f)"; $(GO) test -run '^$$' -fuzz "^$$t$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 1s $$(dirname $$f) || exit 1; \
		done; \
	done

lint: ## Lint Go and protos, and compare the protos with the last release
	$(LINT) run ./...
	$(BUF) lint
	$(BUF) format --diff --exit-code --path proto/strandline
	@base=$$(git describe --tags --abbrev=0 2>/dev/null || git rev-parse --quiet --verify HEAD~1) && \
		$(BUF) breaking proto --against ".git#ref=$$base,subdir=proto" && echo "protos break nothing since $$base"

generate: ## Regenerate Go code, gateway and OpenAPI from the protos
	$(BUF) generate
	$(GO) generate ./...

fresh: generate ## Fail if generated files or go.mod are not what the sources make
	$(GO) mod tidy
	git diff --exit-code -- proto services go.mod go.sum
	@test -z "$$(git status --porcelain --untracked-files=all -- proto services)" || { git status --short -- proto services; echo 'generated files are not committed'; exit 1; }

bench: postgres ## Run the benchmarks that compare both sides in one run, and print the ratios
	$(GO) run ./internal/systemtest/bench

clean: ## Remove what was built (a data folder stays)
	rm -rf bin
