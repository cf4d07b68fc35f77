// Package examples holds the example ledger of an invented shop, written out
// by hand, and replays it into a fresh ledger under its own dates.
package examples

import (
	"embed"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"time"

	"benchlore/ledger"
	"benchlore/ledger/gitstore"
	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/unit"
)

//go:embed all:ledger all:later
var files embed.FS

// opened is the day the shop began its ledger.
var opened = schema.Date{Day: edtf.Day{Year: 2018, Month: 3, Day: 5}}

// zone is the shop's; a fixed offset keeps the replay the same everywhere.
var zone = time.FixedZone("", 60*60)

// event is one thing that happened, to be committed under its own date.
type event struct {
	day   schema.Date
	order int    // within the day: stock, intake of units, records, later versions, closing
	unit  string // model/tag where it concerns one
	path  string
	data  []byte
	rec   *unit.File // a record
}

// Shop is the shop.toml of the example ledger.
func Shop() []byte {
	data, err := files.ReadFile("ledger/shop.toml")
	if err != nil {
		panic(err) // it is embedded
	}
	return data
}

// Replay writes the example ledger into dir, which must not hold one yet:
// every file is committed on the day it was written, every job closed on the
// day it was released. The result is the same each time, down to the hashes,
// unless git is told to sign. progress may be nil.
func Replay(dir string, progress func(done, of int)) (*ledger.Ledger, error) {
	events, err := story()
	if err != nil {
		return nil, err
	}
	clock := &clock{}
	author := &gitstore.Ident{}
	opt := ledger.Options{Now: clock.now, Random: rand.NewChaCha8([32]byte{}), NoSync: true, Author: author}
	shopFile := Shop()
	shop, problems := schema.Decode[schema.Shop]("shop.toml", shopFile)
	if shop == nil {
		return nil, &ledger.ProblemsError{What: "the example", Problems: problems}
	}
	as := func(by string, day schema.Date) {
		clock.on(day)
		for _, t := range shop.Technicians {
			if t.ID == by || by == "" {
				author.Name, author.Email = t.Name, t.Email
				return
			}
		}
	}
	as("", opened)
	l, err := ledger.Start(dir, ledger.StartOptions{Shop: *shop, Files: map[string][]byte{"shop.toml": shopFile}}, opt)
	if err != nil {
		return nil, err
	}
	today := map[string]bool{} // units with something new
	for i, e := range events {
		if progress != nil {
			progress(i, len(events))
		}
		corrected, err := play(l, e, as)
		if err != nil {
			return nil, fmt.Errorf("replaying %s of %s: %w", e.path, e.day, err)
		}
		if schema.ParsePath(e.path).OfUnit() && !corrected {
			today[e.unit] = true
		}
		if i+1 < len(events) && events[i+1].day == e.day {
			continue
		}
		if err := closeAll(l, today, as, e.day); err != nil {
			return nil, err
		}
		clear(today)
	}
	if progress != nil {
		progress(len(events), len(events))
	}
	return l, nil
}

// play commits one event. A correction of a closed record travels at once.
func play(l *ledger.Ledger, e event, as func(string, schema.Date)) (corrected bool, err error) {
	if e.rec != nil {
		as(e.rec.Record.Head().By, e.day)
		if _, err := os.Lstat(filepath.Join(l.Dir, filepath.FromSlash(e.path))); err == nil {
			if n := len(e.rec.Record.Head().Corrections); n > 0 {
				as(e.rec.Record.Head().Corrections[n-1].By, e.day)
			}
			_, err := l.Correct([]ledger.Corrected{{Path: e.path, Data: e.data}}, "", "", ledger.CloseOptions{})
			return true, err
		}
		_, err := l.Add(e.unit, path.Base(e.path), e.data)
		return false, err
	}
	as("", e.day)
	name := filepath.Join(l.Dir, filepath.FromSlash(e.path))
	if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
		return false, err
	}
	if schema.ParsePath(e.path).Is == schema.IsInstrument {
		if err := os.WriteFile(filepath.Join(filepath.Dir(name), ".gitattributes"), []byte(ledger.Attributes), 0o666); err != nil {
			return false, err
		}
	}
	if err := os.WriteFile(name, e.data, 0o666); err != nil {
		return false, err
	}
	_, err = l.Save()
	return false, err
}

// closeAll closes at the end of a day what that day finished.
func closeAll(l *ledger.Ledger, today map[string]bool, as func(string, schema.Date), day schema.Date) error {
	names := slices.Sorted(maps.Keys(today))
	stock, err := l.Catalog()
	if err != nil {
		return err
	}
	for _, n := range names {
		u, err := l.Unit(n, stock)
		if err != nil {
			return err
		}
		if u.OpenJob() != nil || len(u.Jobs) == 0 {
			continue
		}
		as("", day)
		if _, err := l.CloseJob(n, ledger.CloseOptions{}); err != nil {
			return fmt.Errorf("closing %s on %s: %w", n, day, err)
		}
	}
	return nil
}

// story reads the embedded files and puts them in the order they happened.
func story() ([]event, error) {
	var events []event
	first := map[string]schema.Date{} // model, model/tag -> first day it is met
	meet := func(key string, d schema.Date) {
		if was, ok := first[key]; !ok || d.Before(was.Day) {
			first[key] = d
		}
	}
	var pending []event // files without a date of their own
	add := func(root string, fixed schema.Date) error {
		return fs.WalkDir(files, root, func(p string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			data, err := files.ReadFile(p)
			if err != nil {
				return err
			}
			e := event{path: strings.TrimPrefix(p, root+"/"), data: data, day: fixed}
			at := schema.ParsePath(e.path)
			e.unit = at.Unit
			switch {
			case at.Is == schema.IsShop:
				return nil
			case at.Is == schema.IsRecord:
				rec, problems := schema.DecodeRecord(e.path, data)
				if rec == nil {
					return &ledger.ProblemsError{What: "the example", Problems: problems}
				}
				e.rec = &unit.File{Path: e.path, Data: data, Record: rec}
				if fixed.IsZero() {
					e.day, e.order = rec.Head().Date, 3
					meet(e.unit, e.day)
					model, _, _ := strings.Cut(e.unit, "/")
					meet(model, e.day)
				} else {
					e.order = 5
				}
			case at.Is == schema.IsBook && at.Kind != "":
				e.order = 4
				if fixed.IsZero() {
					e.day = at.Date
				}
			case at.Is == schema.IsLot:
				lot, problems := schema.Decode[schema.Lot](e.path, data)
				if lot == nil {
					return &ledger.ProblemsError{What: "the example", Problems: problems}
				}
				e.order = 0
				if fixed.IsZero() {
					e.day = lot.Date
				}
			default: // models, instruments, families
				if fixed.IsZero() {
					pending = append(pending, e)
					return nil
				}
				e.order = 1
			}
			events = append(events, e)
			return nil
		})
	}
	if err := add("ledger", schema.Date{}); err != nil {
		return nil, err
	}
	days, err := fs.ReadDir(files, "later")
	if err != nil {
		return nil, err
	}
	for _, d := range days {
		day, err := schema.ParseDate(d.Name())
		if err != nil {
			return nil, fmt.Errorf("examples/later: %w", err)
		}
		if err := add("later/"+d.Name(), day); err != nil {
			return nil, err
		}
	}
	for _, e := range pending {
		e.order, e.day = 1, opened
		if key := strings.TrimSuffix(path.Base(e.path), ".toml"); schema.ParsePath(e.path).Is == schema.IsModel {
			e.day = first[key]
		} else if e.unit != "" {
			e.order, e.day = 2, first[e.unit]
		}
		events = append(events, e)
	}
	sort.SliceStable(events, func(i, j int) bool {
		a, b := events[i], events[j]
		switch {
		case a.day != b.day:
			return a.day.Before(b.day.Day)
		case a.order != b.order:
			return a.order < b.order
		case a.unit != b.unit:
			return a.unit < b.unit
		case a.rec != nil && b.rec != nil:
			return unit.Less(*a.rec, *b.rec)
		}
		return a.path < b.path
	})
	return events, nil
}

// clock runs a few minutes with every look at it, from the morning of the day
// it was set to.
type clock struct{ at time.Time }

func (c *clock) on(d schema.Date) {
	morning := time.Date(d.Year, time.Month(d.Month), d.Day.Day, 9, 0, 0, 0, zone)
	if c.at.Before(morning) {
		c.at = morning
	}
}

func (c *clock) now() time.Time {
	c.at = c.at.Add(20 * time.Second)
	return c.at
}
