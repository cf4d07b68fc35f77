package ledger

import (
	"fmt"
	"strings"

	"benchlore/ledger/disclosure"
	"benchlore/schema"
)

// Finding is something in a file about to travel that perhaps should not.
type Finding = disclosure.Finding

// FindingsError carries what would have travelled.
type FindingsError struct {
	Unit     string
	Findings []Finding
	Unknown  []string // what was to be allowed and is the key of no finding
}

func (e *FindingsError) Error() string {
	if len(e.Findings) == 1 {
		return fmt.Sprintf("nothing was put on the history of %s: 1 thing in it looks as if it should not travel", e.Unit)
	}
	return fmt.Sprintf("nothing was put on the history of %s: %d things in it look as if they should not travel", e.Unit, len(e.Findings))
}

// Hint names the next step.
func (e *FindingsError) Hint() string {
	s := "take them out, or let one through by its key, such as --allow " + e.Findings[0].Key
	if len(e.Unknown) > 0 {
		s = fmt.Sprintf("--allow takes the key that stands behind a finding, and %q is none of these\n  ", e.Unknown[0]) + s
	}
	return s
}

// customers reads private/. What cannot be read there cannot be searched for,
// and so stops whoever asks.
func (l *Ledger) customers() ([]disclosure.Person, error) {
	files, err := diskSource{l}.names("private")
	if err != nil {
		return nil, err
	}
	var people []disclosure.Person
	for _, p := range files {
		if !strings.HasSuffix(p, ".toml") {
			continue
		}
		data, err := l.read(p)
		if err != nil {
			return nil, err
		}
		c, problems := schema.Decode[schema.Customers](p, data)
		if n, _ := schema.Count(problems); c == nil || n > 0 {
			return nil, &ProblemsError{p + " is not in order, so nothing can be searched for the names in it", problems}
		}
		for _, who := range c.Customers {
			people = append(people, disclosure.Person{Name: who.Name, Phone: who.Phone, Email: who.Email, Address: who.Address, Note: who.Note})
		}
	}
	return people, nil
}

// newSearch is a search for what private/ names, and for what else looks private.
func (l *Ledger) newSearch() (*disclosure.Search, error) {
	people, err := l.customers()
	if err != nil {
		return nil, err
	}
	// The shop's own particulars stand in every report.
	var public []string
	if l.Shop != nil {
		public = append(public, l.Shop.Name, l.Shop.Contact)
		for _, t := range l.Shop.Technicians {
			public = append(public, t.Name)
		}
	}
	return disclosure.NewSearch(people, public), nil
}

// look adds what a file about to travel holds to a review.
func (r *Review) look(s *disclosure.Search, p string, data []byte) {
	rep := s.File(p, data)
	r.Findings = append(r.Findings, rep.Findings...)
	r.Unseen = append(r.Unseen, rep.Unseen...)
}

// disallowed returns the findings nobody let through, and the keys that let
// nothing through. A key stands for one finding.
func disallowed(all []Finding, allow []string) (left []Finding, unknown []string) {
	allowed := map[string]bool{}
	for _, k := range allow {
		allowed[strings.ToLower(strings.TrimSpace(k))] = true
	}
	for _, f := range all {
		if allowed[f.Key] {
			delete(allowed, f.Key)
			continue
		}
		left = append(left, f)
	}
	for _, k := range allow {
		if allowed[strings.ToLower(strings.TrimSpace(k))] {
			unknown = append(unknown, k)
		}
	}
	return left, unknown
}
