package ledger

import (
	"fmt"
	"io"
)

// WriteHistory writes the bundle that a packet of a sealed unit holds: its
// branch, its seals and HEAD.
// Errors: *UsageError where it has no seal, and those of reading.
func (l *Ledger) WriteHistory(w io.Writer, name string) error {
	chain, err := l.Seals(name)
	if err != nil {
		return err
	}
	if len(chain) == 0 {
		return &UsageError{fmt.Sprintf("%s has no seal", name), "benchlore seal " + name}
	}
	objects, refs, err := l.packetHistory(name, chain)
	if err != nil {
		return err
	}
	return writeBundle(w, refs, objects)
}
