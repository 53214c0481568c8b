# The commands of the README. Everything that they need is installed by them.
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
export CGO_ENABLED ?= 0

GO_TEST_FLAGS ?= -shuffle=on -timeout 20m
# The release has its home in cmd/dewline/version.go. The revision is set here, since a machine may be set to leave it out.
VERSION ?= $(shell sed -n 's/^var version = "\(.*\)"/\1/p' cmd/dewline/version.go)
REVISION := $(shell git rev-parse HEAD 2>/dev/null || echo unknown)
export SOURCE_DATE_EPOCH ?= $(shell git log -1 --format=%ct 2>/dev/null || echo 0)
LDFLAGS := -X main.version=$(VERSION) -X dewline/internal/server/metrics.revision=$(REVISION)
STRIPPED := -trimpath -ldflags "-s -w $(LDFLAGS)"
# For a board no function is inlined, which makes the program smaller by an eighth, but in what computes all day, and where it makes more than
# a little difference: cryptography takes up to ten times as long without, and SQLite grows. DEVELOPERS.md has the figures.
INLINED := runtime internal/runtime/... internal/bytealg sync sync/atomic math math/bits bytes strings strconv internal/strconv unicode/utf8 \
	time compress/flate crypto/internal/... vendor/golang.org/x/crypto/... modernc.org/... \
	dewline/internal/core/... dewline/internal/source/recorded dewline/internal/store dewline/internal/replay
SMALL := -gcflags=all=-l $(patsubst %,-gcflags=%=,$(INLINED))
# A program of 32 bits begins its parts on pages of 16 kB in place of 64: no kernel that runs one has larger pages.
ARMHF := GOOS=linux GOARCH=arm GOARM=6 go build -trimpath $(SMALL) -ldflags "-s -w -R 16384 $(LDFLAGS)" -o dist/armhf/dewline ./cmd/dewline

PAGES := dashboards/built/manifest.json
PAGE_SOURCES := $(wildcard dashboards/*.mjs dashboards/*.json dashboards/src/*)

.PHONY: demo build test ci lint unit race bench bench-peers proving proving-short critical faults vulnerabilities fuzz cross boards packages trial first-alarm first-alarm-ready arm board tools pages screenshots clean

## demo: a simulated room with everything live; nothing to configure
demo: build
	./dewline demo $(DEMO)

## build: the program for this machine
build: pages
	go build -ldflags "$(LDFLAGS)" -o dewline ./cmd/dewline

## pages: the web pages; without npm the program still runs and shows plain pages
pages:
	@if command -v npm >/dev/null; then $(MAKE) --no-print-directory $(PAGES); \
	else echo "npm is not installed: the program will show plain pages" >&2; fi

$(PAGES): $(PAGE_SOURCES)
	cd dashboards && npm ci --ignore-scripts --no-audit --no-fund --loglevel=error && npm run --silent check && npm run --silent build
	@touch $@

## test: what is run before a change goes in, on a fresh machine; installs what it needs. Its goal is ten minutes on two idle cores
test: tools pages lint unit proving-short

## ci: what CI runs: the same with the race detector, the long form of proving, the builds and packages for the boards. The first alarm by
## the words of the README runs beside the tests, since it mostly waits; its output comes after theirs, and its failure is one of all
ci: tools pages first-alarm-ready
	@$(FIRST_ALARM) > dist/first-alarm.log 2>&1 & beside=$$!; \
	tests=0; $(MAKE) --no-print-directory lint race cross arm proving || tests=$$?; \
	if [ $$tests != 0 ] && kill $$beside 2>/dev/null; then wait $$beside || true; exit $$tests; fi; \
	installed=0; wait $$beside || installed=$$?; echo "== first-alarm, which ran beside the tests:"; cat dist/first-alarm.log; \
	[ $$tests = 0 ] || echo "== the tests have failed, see above"; exit $$((tests | installed))

## tools: what the tests need beside Go: a broker, a browser, reference libraries, an emulated ARM
APT_PACKAGES := prometheus mosquitto mosquitto-clients openssl chromium fonts-dejavu-core npm gcc libc6-dev python3-iapws python3-gsw systemd qemu-user
tools:
	@missing=(); for p in $(APT_PACKAGES); do \
		if { [ "$$p" = npm ] || [ "$$p" = gcc ]; } && command -v $$p >/dev/null; then continue; fi; \
		dpkg-query -W -f='$${Status}' $$p 2>/dev/null | grep -q 'install ok installed' || missing+=($$p); done; \
	if [ $${#missing[@]} -gt 0 ]; then echo "installing $${missing[*]}"; \
		sudo=; [ $$(id -u) = 0 ] || sudo=sudo; \
		$$sudo apt-get update -qq; DEBIAN_FRONTEND=noninteractive $$sudo apt-get -o DPkg::Lock::Timeout=300 install -y -qq --no-install-recommends $${missing[@]} >/dev/null; fi

## lint: formatting, vet, staticcheck, the analysers named in internal/test/analysers, unreachable code of the program and the trial
lint:
	@unformatted=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$unformatted" ]; then echo "not gofmt-ed: $$unformatted"; exit 1; fi
	go vet ./...
	go vet -tags harness ./cmd/dewline
	go build -o dist/analysers ./internal/test/analysers
	go vet -vettool=$(CURDIR)/dist/analysers ./...
	go tool staticcheck ./...
	go tool staticcheck -tags harness ./cmd/dewline
	@unreachable=$$(go tool deadcode -filter='^dewline/(cmd|internal/([^t]|test/trial))' ./cmd/dewline ./cmd/proving); \
	if [ -n "$$unreachable" ]; then echo "$$unreachable"; exit 1; fi

## unit: all tests. Three packages at a time, since most wait more than they compute; with sixty kills of the program, where CI has 200.
## What failed is printed once more at the end
unit:
	cd dashboards && npm test --silent
	@mkdir -p dist; export DEWLINE_KILLS=$${DEWLINE_KILLS:-60}; go test -vet=off -p 3 $(GO_TEST_FLAGS) ./... 2>&1 | tee dist/unit.log || { $(FAILURES) dist/unit.log; exit 1; }

FAILURES := grep -E '^[[:space:]]*(--- FAIL|Error Trace:|Error:|Messages:|panic:|WARNING: DATA RACE)|^FAIL|_test\.go:[0-9]+: waited in vain'

# SQLite and the C library below it, translated to Go, keep their data outside of Go's heap, where the race detector does not look: in
# them it would cost a factor of four and see nothing. Nor in the fits of misting, which compute for minutes and share nothing. All other
# code of dewline, and the driver of SQLite, have it.
RACE := -race -gcflags=modernc.org/sqlite/lib=-race=false -gcflags=modernc.org/libc=-race=false -gcflags=modernc.org/memory=-race=false \
	-gcflags=dewline/internal/core/misting/...=-race=false

## race: all tests, with the race detector, which needs cgo and a C compiler. Those of the core, which start no goroutine
## (internal/core/pure_test.go), go without it: its code has the detector in the tests of everything that runs it. Packages that run the
## program or a browser as processes of their own depend on how busy the machine is: where one of them fails beside others, it runs once
## more by itself, and that run decides. Every other failure is final, a data race too.
PROCESSES := ^dewline/(cmd/dewline|internal/(daemon|server/web|test/(faults/[a-z]+|harness|season)))$$
# What takes minutes begins first, so that no processor waits for it at the end.
LONGEST := ./internal/server/web ./internal/daemon ./internal/test/... ./internal/store
race:
	cd dashboards && npm test --silent
	go test -vet=off $(GO_TEST_FLAGS) ./internal/core/...
	@mkdir -p dist; export CGO_ENABLED=1; \
	if go test $(RACE) -vet=off -p 3 $(GO_TEST_FLAGS) $(LONGEST) $$(go list ./... | grep -v ^dewline/internal/core) 2>&1 | tee dist/race.log; then exit 0; fi; \
	$(FAILURES) dist/race.log | tail -60; \
	failed=$$(sed -n 's/^FAIL[[:space:]]\+\(dewline[^[:space:]]*\).*/\1/p' dist/race.log); \
	test -n "$$failed" && ! grep -qvE '$(PROCESSES)' <<<"$$failed" && ! grep -q 'WARNING: DATA RACE' dist/race.log || exit 1; \
	echo "== once more, by itself:" $$failed; \
	go test $(RACE) -vet=off -count=1 -p=1 $(GO_TEST_FLAGS) $$failed 2>&1 | tee dist/again.log || { $(FAILURES) dist/again.log | tail -60; exit 1; }

## cross: that the program builds for the boards it is made for, small enough for the least of them, and everything for one of 32 bits
LARGEST := 20000000
cross: boards
	@size=$$(stat -c %s dist/armhf/dewline); if [ $$size -gt $(LARGEST) ]; then \
		echo "the program for ARMv6 has $$size bytes, and may have $(LARGEST): DEVELOPERS.md says what weighs how much" >&2; exit 1; fi
	GOOS=linux GOARCH=arm GOARM=6 go vet -trimpath $(SMALL) ./...

## boards: the program for ARM boards of both kinds, stripped and small
boards:
	$(ARMHF)
	GOOS=linux GOARCH=arm64 go build $(SMALL) $(STRIPPED) -o dist/arm64/dewline ./cmd/dewline

## arm: what is computed on the board, computed by ARMv6 code in an emulated processor
arm:
	GOOS=linux GOARCH=arm GOARM=6 go test -trimpath -exec qemu-arm ./internal/core/quantity ./internal/core/care ./internal/core/psychro ./internal/core/quality

## packages: Debian packages for all three, in dist/; the same sources give the same bytes
packages: pages boards
	rm -f dist/*.deb
	GOOS=linux GOARCH=amd64 go build $(STRIPPED) -o dist/amd64/dewline ./cmd/dewline
	@mkdir -p dist/doc
	go run $(STRIPPED) ./cmd/dewline manual bash > dist/doc/dewline.bash
	go run $(STRIPPED) ./cmd/dewline manual page | gzip -9n > dist/doc/dewline.1.gz
	@for arch in armhf arm64 amd64; do \
		ARCH=$$arch VERSION=$(VERSION) BUILD=dist/$$arch DOCS=dist/doc \
		go tool -modfile=packaging/nfpm.mod nfpm package --config packaging/nfpm.yaml --packager deb --target dist/ || exit; done

## trial: the package in a throw-away Debian with a systemd of its own: installed, upgraded, removed, purged. Needs root
TRIAL_PACKAGES := debootstrap systemd-container
## The program in it has the flags of the tag harness, since its sensors are a recorded kernel tree
trial: packages
	@$(MAKE) --no-print-directory tools APT_PACKAGES="$(TRIAL_PACKAGES)"
	@rm -rf dist/trial && mkdir -p dist/trial/previous
	GOOS=linux GOARCH=amd64 go build -tags harness $(STRIPPED) -o dist/trial/amd64/dewline ./cmd/dewline
	@for package in $(VERSION):dist/trial/ 0.0.1:dist/trial/previous/; do \
		ARCH=amd64 VERSION=$${package%%:*} BUILD=dist/trial/amd64 DOCS=dist/doc \
		go tool -modfile=packaging/nfpm.mod nfpm package --config packaging/nfpm.yaml --packager deb --target $${package#*:} || exit; done
	go run ./internal/test/faults/install --packages dist/trial

## first-alarm: from an empty Debian to a push in a webhook receiver by the commands of the README alone, in a chroot; then the package upgraded,
## removed, purged. Needs root
first-alarm: first-alarm-ready
	@$(FIRST_ALARM)

SUDO := $(shell [ $$(id -u) = 0 ] || echo sudo)
FIRST_ALARM := $(SUDO) nice -n 5 dist/install --first-alarm

first-alarm-ready: packages
	@$(MAKE) --no-print-directory tools APT_PACKAGES=debootstrap
	@rm -rf dist/next && mkdir -p dist/next
	ARCH=$$(dpkg --print-architecture) VERSION=$(VERSION)+next BUILD=dist/$$(dpkg --print-architecture) DOCS=dist/doc \
		go tool -modfile=packaging/nfpm.mod nfpm package --config packaging/nfpm.yaml --packager deb --target dist/next/
	go build -o dist/install ./internal/test/faults/install

## board: the ARMv6 program on an emulated board with a real kernel, real buses and a card, from its first probe to a power cut
BOARD_PACKAGES := qemu-system-arm e2fsprogs
board:
	@$(MAKE) --no-print-directory tools APT_PACKAGES="$(BOARD_PACKAGES)"
	internal/test/faults/board/kernel.sh dist/board/kernel
	$(ARMHF)
	go run ./internal/test/faults/board

## screenshots: the pictures of the README, from the demo
screenshots: build tools
	go run ./internal/test/screenshots

## bench: the benchmarks
bench:
	go test -run='^$$' -bench=. -benchmem ./...

## bench-peers: ratios against SQLite, the engine of Prometheus on its own TSDB, and bare and durable messages; needs sqlite3 and mosquitto
bench-peers: build boards
	@$(MAKE) --no-print-directory tools APT_PACKAGES="sqlite3 mosquitto"
	cd internal/test/peers/tsdb && go build -o ../../../../dist/tsdb .
	go run ./internal/test/peers

## proving: years of an invented room with every fault, of a fixed seed, of one that the commit draws, and of a harsh room; fails where a
## required goal is missed (testdata/figures/trial.md says which are)
ROOM_YEARS ?= 6
GOALS ?= critical-missed,fault-week,audible-below-grouped,false-below-grouped,audible,audible-worst-year,false,false-worst-year
proving: proving-short
	dist/proving --room-years $(ROOM_YEARS) --require $(GOALS) --drawn-by $(REVISION)
	dist/proving --room-years 3 --seed 11 --require fault-week,false-below-grouped --world harsh

## proving-short: those of the fixed seed only
proving-short:
	@mkdir -p dist
	go build -o dist/proving ./cmd/proving
	dist/proving --room-years 4 --seed 11 --require $(GOALS)

## faults: the whole fault suite in its long form, with a kernel of its own whose clock is set; an hour or two
FAULT_PACKAGES := qemu-system-x86 linux-image-cloud-amd64
faults: tools packages
	@$(MAKE) --no-print-directory tools APT_PACKAGES="$(FAULT_PACKAGES)"
	DEWLINE_FAULTS=long DEWLINE_KILLS=2000 go test -count=1 -timeout 3h -parallel 4 ./internal/test/faults/...
	DEWLINE_CUT_STEP=16 go test -count=1 -timeout 2h -run 'PowerCut|Torn' ./internal/store
	go run ./internal/test/faults/clock/machine
	$(MAKE) --no-print-directory board
	$(MAKE) --no-print-directory first-alarm
	$(MAKE) --no-print-directory trial
	go run ./internal/test/faults/load
	$(MAKE) --no-print-directory critical ROOM_YEARS=2000

## vulnerabilities: those that are known of what the program calls; needs the database of the Go project
vulnerabilities:
	go run golang.org/x/vuln/cmd/govulncheck@v1.9.0 ./...

## critical: the same, but only a missed stay beyond a critical limit fails
critical:
	go run ./cmd/proving --room-years $(ROOM_YEARS) --require critical-missed

## fuzz: every fuzz target for FUZZTIME each
FUZZTIME ?= 60s
fuzz:
	@failed=; for package in $$(go list ./...); do \
		for target in $$(go test -list '^Fuzz' $$package | grep '^Fuzz' || true); do \
			echo "$$package $$target"; \
			go test -run='^$$' -fuzz="^$$target$$" -fuzztime=$(FUZZTIME) $$package || failed="$$failed $$target"; done; done; \
	test -z "$$failed" || { echo "failed:$$failed"; exit 1; }

clean:
	rm -rf dewline dist dashboards/built/* dashboards/node_modules
