package provenance

import (
	"path"
	"strings"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/unit"
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
	if bad := schema.Unread(u.Problems); bad != nil {
		return nil, &ledger.ProblemsError{What: name + ": there is no report while a file of it cannot be read: the report would not say what is missing", Problems: bad}
	}
	steps, err := l.UnitHistory(name)
	if err != nil {
		return nil, err
	}
	in := Input{Unit: u.Unit, Shop: l.Shop, Families: stock.Families, AsOf: l.Today(), Branch: "unit/" + name}
	in.History, in.Signers = historyEntries(u.Unit, steps)
	if in.Vouched, err = l.Vouched(name); err != nil {
		return nil, err
	}
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

// historyEntries turns a unit's own history into one entry for each record,
// and the keys that signed it.
func historyEntries(u *unit.Unit, steps []ledger.Step) ([]HistoryEntry, []Signer) {
	var entries []HistoryEntry
	byFile := map[string]int{}
	records := map[string]*unit.File{}
	for i := range u.Files {
		records[u.Files[i].Name()] = &u.Files[i]
	}
	var signers []Signer
	var lastClose schema.Date // the close before the one at hand
	var thisClose schema.Date
	for _, s := range steps {
		closed := schema.NewDate(s.Closed)
		if closed != thisClose {
			lastClose, thisClose = thisClose, closed
		}
		if s.Signed != "" {
			signers = addSigner(signers, s.Signed, closed.String())
		}
		for _, f := range s.Files {
			name := strings.TrimSuffix(f.Path, ".toml")
			rec := records[name]
			if rec == nil || path.Dir(f.Path) != "." {
				continue
			}
			h := rec.Record.Head()
			if f.What == "new" {
				byFile[name] = len(entries)
				entries = append(entries, HistoryEntry{Date: h.Date.String(), Saved: schema.NewDate(s.Saved).String(), By: h.By, File: name,
					Kind: h.Kind, Withdrawn: h.Withdrawn, Commit: s.Commit, SignedBy: s.Signed,
					Late: !lastClose.IsZero() && h.Date.Before(lastClose.Day)})
				continue
			}
			at, ok := byFile[name]
			if !ok {
				continue
			}
			c := CorrectionEntry{Date: schema.NewDate(s.Saved).String(), By: h.By, Reason: f.Reason, Changes: f.Changes}
			if n := len(h.Corrections); n > 0 {
				k := min(len(entries[at].Corrections), n-1)
				c.Date, c.By = h.Corrections[k].Date.String(), h.Corrections[k].By
			}
			entries[at].Corrections = append(entries[at].Corrections, c)
		}
	}
	return entries, signers
}

func addSigner(list []Signer, key, day string) []Signer {
	for i := range list {
		if list[i].Fingerprint == key {
			list[i].Last = day
			return list
		}
	}
	return append(list, Signer{Fingerprint: key, First: day, Last: day})
}
