package provenance

import (
	"path"
	"strings"

	"benchlore/ledger/proof"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// historyEntries turns a unit's own history into one entry for each record,
// and the keys that signed it.
func historyEntries(u *unit.Unit, steps []proof.Step) ([]HistoryEntry, []Signer) {
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
