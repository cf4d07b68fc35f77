// Command benchlore keeps the service history of restored instruments.
package main

import (
	"os"
	"runtime/debug"
)

// softLimit is from how many bytes on memory is given back at once rather than
// soon: a laptop at the bench has other programs open. Large ledgers may take more.
const softLimit = 220 << 20

func main() {
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(softLimit)
	}
	os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr, hooks{}))
}
