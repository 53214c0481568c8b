// Command analysers is what `make lint` lets go vet run beside its own analysers and those of staticcheck: each is named, and finds what
// neither of the two looks for.
//
//	go build -o dist/analysers ./internal/test/analysers
//	go vet -vettool=dist/analysers ./...
package main

import (
	"golang.org/x/tools/go/analysis/passes/deepequalerrors"
	"golang.org/x/tools/go/analysis/passes/nilness"
	"golang.org/x/tools/go/analysis/passes/reflectvaluecompare"
	"golang.org/x/tools/go/analysis/passes/sortslice"
	"golang.org/x/tools/go/analysis/passes/sqlrowserr"
	"golang.org/x/tools/go/analysis/passes/unusedwrite"
	"golang.org/x/tools/go/analysis/unitchecker"
)

func main() {
	unitchecker.Main(
		deepequalerrors.Analyzer,     // errors compared by reflection
		nilness.Analyzer,             // what is nil on a way that uses it, and tests of what cannot be nil
		reflectvaluecompare.Analyzer, // reflect.Values compared by ==
		sortslice.Analyzer,           // sort.Slice of what is no slice
		sqlrowserr.Analyzer,          // rows of a query whose error at the end is not looked at
		unusedwrite.Analyzer,         // fields set that are never read
	)
}
