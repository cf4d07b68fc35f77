package main

import (
	"os"
	"runtime/debug"
	"runtime/metrics"
	"time"
)

// softLimit is from how many bytes on memory is given back at once rather than
// soon: a laptop at the bench has other programs open.
const softLimit = 250 << 20

// limitMemory keeps the program's memory near softLimit. A limit close to what is
// in use would leave the collector no rest, so one that large ledgers outgrow moves
// up with them. Whoever sets GOMEMLIMIT has chosen.
func limitMemory() {
	if os.Getenv("GOMEMLIMIT") != "" {
		return
	}
	debug.SetMemoryLimit(softLimit)
	go func() {
		live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
		limit := int64(softLimit)
		for range time.Tick(50 * time.Millisecond) {
			metrics.Read(live)
			if need := int64(live[0].Value.Uint64()) * 14 / 10; need > limit {
				limit = need
				debug.SetMemoryLimit(limit)
			}
		}
	}()
}
