# What people type. Everything else is `go run ./cmd/offsetbridge help`.
VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null)
FLAGS   := -trimpath -ldflags "-s -w -X main.version=$(VERSION)"

PARTS ?= 2000000
SEQUENCES ?= 1000000
SEED  ?= 1

.PHONY: release fault-sim fault-adversary fault-mutants demo build test test-page histories kills bench bench-control lint clean

demo: ## a whole simulated cell on this computer
	go run ./cmd/offsetbridge demo

build: ## one static binary in bin/
	CGO_ENABLED=0 go build $(FLAGS) -o bin/offsetbridge ./cmd/offsetbridge

SYSTEMS := linux/amd64 linux/arm64 windows/amd64

release: $(SYSTEMS:%=release/%) ## static binaries for Linux, and for Windows all but the daemon, with their sums, in bin/
	cd bin && sha256sum offsetbridge-* >SHA256SUMS

release/%:
	CGO_ENABLED=0 GOOS=$(*D) GOARCH=$(*F) go build $(FLAGS) -o bin/offsetbridge-$(*D)-$(*F)$(if $(filter windows,$(*D)),.exe) ./cmd/offsetbridge

test: ## everything, under the race detector; needs mosquitto, node, npm and Rscript
	go vet ./...
	go run ./cmd/fault-sim -quick -parts 10000
	go test -race -p 1 -timeout 20m ./...

test-page: build ## the page in a real browser; needs chromium, node and npm
	cd testdata/page && npm ci --no-audit --no-fund --silent
	node testdata/page/page.mjs bin/offsetbridge $(PICTURES)

histories: ## 1,000 end-to-end histories put in order, and the long forms of the end-to-end tests
	OFFSETBRIDGE_HISTORIES=1000 OFFSETBRIDGE_LONG=1 go test -race -timeout 60m -v -run 'Histories|LostAtEveryRequest|SecuredEndToEnd' ./internal/app

kills: ## the program killed 1,000 times, at random moments and just when a write took effect
	OFFSETBRIDGE_KILLS=1000 go test -timeout 90m -v -run KilledAtAnyMoment ./cmd/offsetbridge

bench: build ## ingest, latency, start-up, the page: side by side with a baseline of the same run
	go run ./cmd/bench-loop
	go test ./cmd/offsetbridge -run XXX -bench CapabilityOfTenMillion -benchtime 3x
	go test ./internal/web -run XXX -bench . -benchtime 30x

bench-control: ## the core with its shipped bounds against bound, baselines and wrong configurations: about an hour of one processor
	go run ./cmd/bench-control

fault-sim: ## the invariants under any schedule of faults, at simulated machines: PARTS, SEED
	go run ./cmd/fault-sim -parts $(PARTS) -seed $(SEED)

fault-adversary: ## arbitrary sequences of messages, which may drive a register nowhere: SEQUENCES, SEED
	go run ./cmd/fault-sim -adversarial -parts $(SEQUENCES) -seed $(SEED)

fault-mutants: ## one guard after the other taken out: the simulation has to notice
	go run ./cmd/fault-mutants

clean:
	rm -rf bin
