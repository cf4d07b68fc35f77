package main

import (
	"fmt"
	"text/tabwriter"
)

// mostMemory is the bar for the largest resident set, in MB of 1024 KiB.
const mostMemory = 300

// barUnits is the size the bars are set for: 100,000 record files and some more.
const barUnits = 10_000

// table is what one ledger gave.
type table struct {
	w     *tabwriter.Writer
	bound bool // the bars are set for a ledger of this size
	held  bool // every bar so far, where they are
}

func (b *bench) table(units int) *table {
	t := b.plainTable(units)
	fmt.Fprintf(t.w, "work\there\tpeer\t\tratio\tbar\tholds\tmemory\tbelow %d MB\n", mostMemory)
	return t
}

// plainTable is one without a head.
func (b *bench) plainTable(units int) *table {
	return &table{w: tabwriter.NewWriter(b.out, 0, 0, 2, ' ', 0), bound: units == barUnits, held: true}
}

// row compares with a peer.
func (t *table) row(work string, here spent, peer string, there spent, bar float64) {
	ratio := float64(here.time) / float64(there.time)
	fmt.Fprintf(t.w, "%s\t%s\t%s\t%s\t%.2f\t%.2f\t%s\t%s\n", work, here, peer, there, ratio, bar, t.holds(ratio <= bar), t.memory(here))
}

// alone is a row without a peer.
func (t *table) alone(work string, here spent) {
	fmt.Fprintf(t.w, "%s\t%s\t-\t\t\t\t\t%s\n", work, here, t.memory(here))
}

func (t *table) memory(s spent) string {
	if s.memory == 0 {
		return "-\t-"
	}
	return fmt.Sprintf("%d MB\t%s", s.memory/1024, t.holds(s.memory < mostMemory*1024))
}

func (t *table) holds(yes bool) string {
	switch {
	case yes:
		return "yes"
	case !t.bound:
		return "no"
	}
	t.held = false
	return "NO"
}
