package reliability

import (
	"encoding/binary"
	"math"
	"strings"
	"time"

	"benchlore/schema"
	"benchlore/schema/edtf"
	"benchlore/schema/unit"
)

// keptUnit is what is kept of the observations of a unit. Positions are not:
// observations that differ in nothing else are one.
type keptUnit struct {
	Last schema.Date // of its records that are no notes
	UUID string
	// Settled is the day from which on a later as-of date changes nothing but
	// how long the unit has been silent; zero where Data is as of one date.
	Settled schema.Date
	Data    []byte // see [unitObservations.encode]
}

// keepUnit observes a unit: as of a date or, where latest is set, as of any
// from the day it settled on.
func keepUnit(u *unit.Unit, opt ObserveOptions, latest bool) keptUnit {
	k := keptUnit{Last: LastRecord(u), UUID: u.Instrument.UUID}
	if latest {
		k.Settled = Settled(u)
		opt.AsOf = k.Settled
	}
	k.Data = observeUnit(u, opt).alike().encode()
	return k
}

// Settled is the last day that anything which is observed speaks of.
func Settled(u *unit.Unit) (last schema.Date) {
	see := func(d edtf.Day) {
		if d.After(last.Day) {
			last = schema.Date{Day: d}
		}
	}
	for _, f := range u.Files {
		h := f.Record.Head()
		if !h.Withdrawn && (h.Kind.Evidence() || h.Hours != nil) {
			see(h.Date.Day)
		}
	}
	seeEvents := func(events []*unit.Event) {
		for _, e := range events {
			see(e.Date.Day)
		}
	}
	for _, p := range u.Positions {
		for _, o := range p.Occupants {
			if o.Origin == schema.OriginReplaced {
				see(o.Since.Lo)
			}
			see(o.Ended.Day)
			seeEvents(o.Events)
		}
	}
	for _, p := range u.Pools {
		seeEvents(p.Events)
	}
	return last
}

// What may be true of an observation, as bits.
const (
	keptPrompted = 1 << iota
	keptHandled
	keptFailed
	keptSecondary
	keptExternal
	keptUnknownOrigin
	keptPool
	keptStill
	keptOpen // no upper end
	keptVerified
	keptHidden
	keptSuspect
	keptSystematic
	keptDegradedOut
	keptFailedFirst
	keptFirstOpen // the first visit has not ended
)

func (o *Observation) flags() (f uint64) {
	for _, b := range []struct {
		set bool
		bit uint64
	}{{o.Prompted, keptPrompted}, {o.Handled, keptHandled}, {o.Failed, keptFailed}, {o.Secondary, keptSecondary},
		{o.External, keptExternal}, {o.UnknownOrigin, keptUnknownOrigin}, {o.Pool, keptPool},
		{o.still != edtf.Day{}, keptStill}, {math.IsInf(o.Upper, 1), keptOpen},
		{o.Verified, keptVerified}, {o.Hidden, keptHidden}, {o.Suspect, keptSuspect}, {o.Systematic, keptSystematic},
		{o.DegradedOut, keptDegradedOut}, {o.FailedFirst, keptFailedFirst}, {math.IsInf(o.First, 1), keptFirstOpen}} {
		if b.set {
			f |= b.bit
		}
	}
	return f
}

// words are what an observation says in words, but for the unit and its model.
func (o *Observation) words() [12]string {
	return [...]string{string(o.Family), o.Place, o.Maker, o.Lot, o.Kit, string(o.Origin), o.Built, string(o.Intake),
		string(o.Kind), string(o.Reason), string(o.Found), string(o.FoundFirst)}
}

// encode writes the observations of a unit without their positions and without
// what depends on the as-of date: the words once, then a row of numbers for
// each observation. LowerWorking follows from the rest.
func (x unitObservations) encode() []byte {
	if !x.Seen {
		return nil
	}
	w := keptWriter{at: map[string]uint64{}}
	w.followUp(x.Back)
	w.number(bit(x.Worked) + 2*bit(x.Looked))
	w.number(uint64(len(x.All)))
	for i := range x.All {
		o := &x.All[i]
		w.number(o.flags())
		w.number(uint64(o.Count))
		w.number(uint64(o.Restart))
		for _, s := range o.words() {
			w.word(s)
		}
		w.time(o.Entry)
		w.time(o.Lower)
		w.time(o.Half)
		w.time(o.Latest)
		if !math.IsInf(o.First, 1) {
			w.time(o.First)
		}
		if !math.IsInf(o.Upper, 1) {
			w.time(o.Upper)
		}
		if o.still != (edtf.Day{}) {
			w.day(o.still)
		}
	}
	head := binary.AppendUvarint(nil, uint64(len(w.words)))
	for _, s := range w.words {
		head = append(binary.AppendUvarint(head, uint64(len(s))), s...)
	}
	return append(head, w.rows...)
}

func bit(b bool) uint64 {
	if b {
		return 1
	}
	return 0
}

type keptWriter struct {
	rows  []byte
	words []string
	at    map[string]uint64
}

func (w *keptWriter) number(n uint64) { w.rows = binary.AppendUvarint(w.rows, n) }

func (w *keptWriter) word(s string) {
	i, ok := w.at[s]
	if !ok {
		i = uint64(len(w.words))
		w.at[s] = i
		w.words = append(w.words, s)
	}
	w.number(i)
}

// time writes a whole number of days shortly, and any other time as it is.
func (w *keptWriter) time(t float64) {
	if days := math.Round(t * 365.25); days >= 0 && days < 1<<32 && days/365.25 == t {
		w.number(uint64(days) << 1)
		return
	}
	w.number(1)
	w.rows = binary.LittleEndian.AppendUint64(w.rows, math.Float64bits(t))
}

const secondsADay = 24 * 60 * 60

func (w *keptWriter) day(d edtf.Day) {
	w.rows = binary.AppendVarint(w.rows, d.Time().Unix()/secondsADay)
}

func (w *keptWriter) followUp(f *followUp) {
	if f == nil {
		w.number(0)
		return
	}
	open := uint64(0)
	if f.Open {
		open = 1
	}
	w.number(1 + open)
	w.day(f.start)
	w.time(f.Heard)
	w.number(uint64(len(f.Backs)))
	for _, b := range f.Backs {
		w.time(b.Time)
		w.word(string(b.Kind))
	}
}

// keptReader reads what [unitObservations.encode] wrote, as of a date.
type keptReader struct {
	asOf  schema.Date
	until edtf.Day // a silent unit worked until then, where silence is read so
	lag   float64
	known map[string]string // words, each once in memory
	obs   []Observation

	rest  []byte
	words []string
	bad   bool
}

func newKeptReader(opt ObserveOptions) *keptReader {
	return &keptReader{asOf: opt.AsOf, until: opt.AsOf.AddDays(-opt.Lag), lag: float64(opt.Lag) / 365.25, known: map[string]string{}}
}

// read returns the observations of a unit, which hold until the next call; ok
// is false where the data are not such.
func (r *keptReader) read(name string, data []byte) (x unitObservations, ok bool) {
	if len(data) == 0 {
		return x, true
	}
	r.rest, r.bad, r.words, r.obs = data, false, r.words[:0], r.obs[:0]
	for n := r.number(); n > 0 && !r.bad; n-- {
		r.words = append(r.words, r.text())
	}
	x.Seen, x.Back = true, r.followUp(name)
	model, _, _ := strings.Cut(name, "/")
	earlier := r.number()
	x.Worked, x.Looked = earlier&1 != 0, earlier&2 != 0
	for n := r.number(); n > 0 && !r.bad; n-- {
		r.obs = append(r.obs, r.observation(name, model))
	}
	x.All = r.obs
	return x, !r.bad && len(r.rest) == 0
}

func (r *keptReader) observation(name, model string) Observation {
	f := r.number()
	is := func(bit uint64) bool { return f&bit != 0 }
	o := Observation{Unit: name, Model: model, Count: int(r.number()), Restart: int(r.number()),
		Family: schema.FamilyName(r.word()), Place: r.word(), Maker: r.word(), Lot: r.word(), Kit: r.word(),
		Origin: schema.Origin(r.word()), Built: r.word(), Intake: schema.Reason(r.word()),
		Kind: ObservationKind(r.word()), Reason: LeftOutReason(r.word()), Found: schema.Finding(r.word()), FoundFirst: schema.Finding(r.word()),
		Entry: r.time(), Lower: r.time(), Half: r.time(), Latest: r.time(), First: math.Inf(1), Upper: math.Inf(1),
		Prompted: is(keptPrompted), Handled: is(keptHandled), Failed: is(keptFailed), Secondary: is(keptSecondary),
		External: is(keptExternal), UnknownOrigin: is(keptUnknownOrigin), Pool: is(keptPool),
		Verified: is(keptVerified), Hidden: is(keptHidden), Suspect: is(keptSuspect), Systematic: is(keptSystematic),
		DegradedOut: is(keptDegradedOut), FailedFirst: is(keptFailedFirst)}
	if !is(keptFirstOpen) {
		o.First = r.time()
	}
	if !is(keptOpen) {
		o.Upper = r.time()
	}
	o.LowerWorking = o.Lower
	if is(keptStill) {
		o.still = r.day()
		o.LowerWorking = o.working(r.until)
	}
	return o
}

func (r *keptReader) followUp(name string) *followUp {
	kind := r.number()
	if kind == 0 {
		return nil
	}
	f := &followUp{Unit: name, Lag: r.lag, Open: kind == 2, start: r.day(), Heard: r.time()}
	f.Due = years(f.start, r.asOf.Day)
	for n := r.number(); n > 0 && !r.bad; n-- {
		f.Backs = append(f.Backs, comeback{r.time(), ComebackKind(r.word())})
	}
	return f
}

func (r *keptReader) number() uint64 {
	n, size := binary.Uvarint(r.rest)
	if size <= 0 {
		r.bad = true
		return 0
	}
	r.rest = r.rest[size:]
	return n
}

func (r *keptReader) text() string {
	n := r.number()
	if n > uint64(len(r.rest)) {
		r.bad = true
		return ""
	}
	b := r.rest[:n]
	r.rest = r.rest[n:]
	s, ok := r.known[string(b)]
	if !ok {
		s = string(b)
		r.known[s] = s
	}
	return s
}

func (r *keptReader) word() string {
	i := r.number()
	if i >= uint64(len(r.words)) {
		r.bad = true
		return ""
	}
	return r.words[i]
}

func (r *keptReader) time() float64 {
	n := r.number()
	if n&1 == 0 {
		return float64(n>>1) / 365.25
	}
	if len(r.rest) < 8 {
		r.bad = true
		return 0
	}
	t := math.Float64frombits(binary.LittleEndian.Uint64(r.rest))
	r.rest = r.rest[8:]
	return t
}

func (r *keptReader) day() edtf.Day {
	n, size := binary.Varint(r.rest)
	if size <= 0 {
		r.bad = true
		return edtf.Day{}
	}
	r.rest = r.rest[size:]
	return edtf.FromTime(time.Unix(n*secondsADay, 0).UTC())
}
