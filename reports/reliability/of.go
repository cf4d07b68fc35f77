package reliability

import (
	"fmt"

	"benchlore/ledger"
	"benchlore/schema"
)

// ReliabilityOf reads all units of a ledger and estimates. What each unit says
// and what each group tells is kept for the next time; see [ledger.Derive] and
// [ledger.Results].
func Of(l *ledger.Ledger, observe ObserveOptions, opt Options) (*Report, error) {
	stock, err := l.Catalog()
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
func gather(l *ledger.Ledger, stock *ledger.Catalog, view *ledger.View, opt ObserveOptions, add func(Observation)) (*Observations, error) {
	latest := opt.AsOf.IsZero() || !opt.AsOf.Before(view.LatestName().Day)
	use := fmt.Sprintf("observations 2, degraded %t, hours %t", opt.FailureDegraded, opt.Hours)
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
		if !obs.first(k.name, k.UUID, x) {
			continue
		}
		for _, o := range x.All {
			add(o)
		}
		x.All = nil
		obs.add(x)
	}
	return obs, nil
}
