//go:build !js

package provenance

import (
	"benchlore/ledger"
)

// Of reads a unit and its history from a ledger and builds its
// provenance report.
func Of(l *ledger.Ledger, name string) (*Report, error) {
	stock, err := l.Catalog()
	if err != nil {
		return nil, err
	}
	u, err := l.Unit(name, stock)
	if err != nil {
		return nil, err
	}
	steps, err := l.UnitHistory(name)
	if err != nil {
		return nil, err
	}
	in := Input{Unit: u.Unit, Shop: l.Shop, Families: stock.Families, AsOf: l.Today(), Branch: "unit/" + name}
	in.History, in.Signers = historyEntries(u.Unit, steps)
	if n := len(steps); n > 0 {
		in.Head = steps[n-1].Commit
	}
	closed := map[string]bool{}
	for _, h := range in.History {
		closed[h.File] = true
	}
	in.Closed = len(u.Unit.Files) > 0
	for _, f := range u.Unit.Files {
		in.Closed = in.Closed && closed[f.Name()]
	}
	return Build(in), nil
}
