package reports

import (
	"fmt"
	"path"
	"strings"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// ProvenanceOf reads a unit and its history from a ledger and builds its
// provenance report.
func ProvenanceOf(l *ledger.Ledger, name string) (*Provenance, error) {
	stock, err := l.Stock()
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
	in := ProvenanceInput{Unit: u.Unit, Shop: l.Shop, Families: stock.Families, AsOf: l.Today(), Branch: "unit/" + name}
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
	return BuildProvenance(in), nil
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
					Kind: string(h.Kind), Withdrawn: h.Withdrawn, Commit: s.Commit, SignedBy: s.Signed,
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

// ReliabilityOf reads all units of a ledger and estimates. What each unit says
// and what each group tells is kept for the next time; see [ledger.Derive] and
// [ledger.Results].
func ReliabilityOf(l *ledger.Ledger, observe ObserveOptions, opt ReliabilityOptions) (*Reliability, error) {
	stock, err := l.Stock()
	if err != nil {
		return nil, err
	}
	view, err := l.View(stock)
	if err != nil {
		return nil, err
	}
	estimate, err := newEstimator(opt)
	if err != nil {
		return nil, err
	}
	observe.Families = stock.Families
	obs, err := gather(l, stock, view, observe, estimate.add)
	if err != nil {
		return nil, err
	}
	o := estimate.opt
	results := view.Results(fmt.Sprintf("estimates by %q, silence %s, confidence %v, origin %s, anyway %t, degraded %t, hours %t",
		o.By, o.Silence, o.Confidence, o.Origin, o.FitAnyway, observe.FailureDegraded, observe.Hours))
	defer results.Keep()
	estimate.results = results
	return estimate.estimate(obs, stock.Families), nil
}

// gather observes all units and hands each observation to add; those in the
// answer are left out. What is kept of a unit serves for every as-of date from
// that of the latest record on, so that a new record is not the end of it all.
func gather(l *ledger.Ledger, stock *ledger.Stock, view *ledger.View, opt ObserveOptions, add func(Observation)) (*Observations, error) {
	latest := opt.AsOf.IsZero() || !opt.AsOf.Before(view.LatestName().Day)
	use := fmt.Sprintf("observations, degraded %t, hours %t", opt.FailureDegraded, opt.Hours)
	if !latest {
		use += ", as of " + opt.AsOf.String()
	}
	type named struct {
		name string
		keptUnit
	}
	var all []named
	var last schema.Date
	err := ledger.Derive(view, use, func(_ string, u *ledger.Loaded) (keptUnit, error) {
		return keepUnit(u.Unit, opt, latest), nil
	}, func(name string, k keptUnit) error {
		if k.Last.After(last.Day) {
			last = k.Last
		}
		all = append(all, named{name, k})
		return nil
	})
	if err != nil {
		return nil, err
	}
	if opt.AsOf.IsZero() {
		opt.AsOf = last
	}
	obs := newObservations(opt)
	read := newKeptReader(opt)
	for _, k := range all {
		x, ok := read.read(k.name, k.Data)
		if !ok || k.Settled.After(opt.AsOf.Day) {
			u, err := l.Unit(k.name, stock)
			if err != nil {
				return nil, err
			}
			x = observeUnit(u.Unit, opt)
		}
		for _, o := range x.All {
			add(o)
		}
		x.All = nil
		obs.add(x)
	}
	return obs, nil
}
