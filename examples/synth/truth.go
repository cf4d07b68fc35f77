package synth

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"time"

	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/refs"
)

// Instant is a moment in days since the beginning of 1900; +Inf stands for
// never. A day in a record is its beginning: a part found failed on a day had
// failed by then, one found good fails later.
type Instant float64

// never has not come by the time the ledger ends.
var never = Instant(math.Inf(1))

var epoch = time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC)

// Day is the day the moment falls on.
func (t Instant) Day() edtf.Day {
	return edtf.FromTime(epoch.AddDate(0, 0, int(math.Floor(float64(t)))))
}

// Never reports whether it has not come.
func (t Instant) Never() bool { return math.IsInf(float64(t), 1) }

// MarshalJSON gives the day in quotes, null for never.
func (t Instant) MarshalJSON() ([]byte, error) {
	if t.Never() {
		return []byte("null"), nil
	}
	return json.Marshal(t.Day().String())
}

// dayNumber counts days since the beginning of 1900.
func dayNumber(d edtf.Day) int { return int(d.Time().Sub(epoch) / (24 * time.Hour)) }

// Life is what really became of one part: from the day it was fitted, or made
// as new by a repair, to its failure. Lives of one position stand in order.
type Life struct {
	Section   string            `json:"section"`
	Ref       refs.Ref          `json:"ref,omitempty"` // empty for one of a pool
	Family    schema.FamilyName `json:"family"`
	Occupant  int               `json:"occupant"`          // 0 for what was there first
	Restart   int               `json:"restart,omitempty"` // n after the n-th repair of the occupant
	Installed Instant           `json:"installed"`         // or repaired
	// Own is when it fails by itself, Failed when it fails in truth: earlier
	// where something else took it down, and then CausedBy says what.
	Own      Instant      `json:"own"`
	Failed   Instant      `json:"failed"`
	CausedBy schema.Cause `json:"causedBy,omitempty"`
	Degraded Instant      `json:"degraded"` // by itself; may lie after Failed
	Found    Instant      `json:"found"`    // the shop saw that it had failed
	Ended    Instant      `json:"ended"`    // taken out, or repaired
	Lot      string       `json:"lot,omitempty"`
	BadLot   bool         `json:"badLot,omitempty"`
}

// Years is the lifetime the part has by itself, in years of 365.25 days.
func (l *Life) Years() float64 { return float64(l.Own-l.Installed) / 365.25 }

// Lot is one lot of new parts and whether it is a bad one.
type Lot struct {
	Name   string            `json:"name"`
	Family schema.FamilyName `json:"family"`
	Bad    bool              `json:"bad"`
	Factor float64           `json:"factor"` // on the hazard of its parts
}

// Truth is what the records of a ledger are made from, without the lives.
type Truth struct {
	Schema   int      `json:"schema"`
	Preset   string   `json:"preset,omitempty"`
	Seed     uint64   `json:"seed"`
	Units    int      `json:"units"`
	Families []Family `json:"families"`
	External External `json:"external"`
	Habits   Habits   `json:"habits"`
	Lots     []Lot    `json:"lots"`
}

// Truth returns what the ledger is made from.
func (l *Ledger) Truth() Truth {
	return Truth{Schema: 1, Preset: l.Options.Preset, Seed: l.Options.Seed, Units: l.Options.Units, Families: l.Options.Families,
		External: l.Options.External, Habits: l.Options.Habits, Lots: l.lots}
}

// WriteTruth writes one JSON object a line: first the [Truth], then for each
// unit its name, the day it was really built, the factors on the hazards of its
// families and the lives of its parts.
func (l *Ledger) WriteTruth(w io.Writer) error {
	enc := json.NewEncoder(w)
	if err := enc.Encode(l.Truth()); err != nil {
		return err
	}
	for i := range l.Options.Units {
		if err := enc.Encode(l.Unit(i)); err != nil {
			return fmt.Errorf("truth of unit %d: %w", i, err)
		}
	}
	return nil
}
