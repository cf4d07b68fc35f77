package reliability

import (
	"cmp"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"

	"benchlore/ledger"
	"benchlore/reports/lifedata"
	"benchlore/reports/page"
	"benchlore/schema"
)

// Estimand is what the reliability report is about. Units come to a bench
// because something is wrong with them, or because somebody cares for them.
const Estimand = "units that reached this bench"

// ReliabilityOptions says what is estimated for whom.
type Options struct {
	By         []string      // of [ReliabilityKeys]; none: family
	Silence    Silence       // the reading the JSON carries; empty: unknown
	Confidence float64       // of every interval but that of a rank; 0: 0.95
	Origin     schema.Origin // parts of that origin only; empty: all
	FitAnyway  bool          // fit a life and draw a curve where few failed
	CountsOnly bool          // units and parts, and none of the estimates in time
	// ComparisonsOnly gives the comparisons, and of the groups no more than
	// CountsOnly does.
	ComparisonsOnly bool
}

// groupKey is something observations can be grouped by.
type groupKey struct {
	name  string
	value func(Observation) string
}

var reliabilityKeys = []groupKey{
	{"family", func(o Observation) string { return string(o.Family) }},
	{"group", func(o Observation) string { return o.Family.Group() }},
	{"model", func(o Observation) string { return o.Model }},
	{"section", func(o Observation) string { return o.Place }},
	{"maker", func(o Observation) string { return o.Maker }},
	{"lot", func(o Observation) string { return o.Lot }},
	{"kit", func(o Observation) string { return o.Kit }},
	{"origin", func(o Observation) string { return string(o.Origin) }},
	{"built", func(o Observation) string { return o.Built }},
	{"reason", func(o Observation) string {
		switch o.Intake {
		case "":
			return ""
		case schema.ReasonRepair, schema.ReasonComeback:
			return "fault-driven"
		}
		return "not fault-driven"
	}},
}

// ReliabilityKeys lists what groups can be formed by: family, group (of
// families), model, section (of like sections), maker, lot and kit (of the
// part), origin, built (five years), reason (for coming to the bench:
// fault-driven or not).
func Keys() []string {
	var names []string
	for _, k := range reliabilityKeys {
		names = append(names, k.name)
	}
	return names
}

// KeyPart is one word of a group's key.
type KeyPart struct{ Name, Value string }

// UnitShare is how many of the inspected units had at least one failure.
type UnitShare struct {
	Inspected int // units of which the bench handled at least one part
	Affected  int
	Share     float64
	Interval  lifedata.Interval // Wilson
}

func (u *UnitShare) fill(level float64) {
	u.Interval = lifedata.Wilson(u.Affected, u.Inspected, level)
	if u.Inspected > 0 {
		u.Share = float64(u.Affected) / float64(u.Inspected)
	}
}

// FirstVisit is how units came: what was found failed on their first visit to
// this bench, of what was looked at then. It needs no dates, and it is what the
// next unit that comes in may be expected to be like.
type FirstVisit struct {
	Units    UnitShare
	Worn     UnitShare // with a part failed or degraded
	Tested   int
	Failed   int
	OfTested Share
}

// PartCounts counts parts by what was found. Handled is those of which a finding
// says how they were: tested, or in service where a failure is heard. Untested
// ones are in no denominator.
type PartCounts struct {
	Handled   int
	Tested    int // found failed, degraded or ok
	InService int // their circuit, or the whole unit, worked
	Untested  int // or missing
	Failed    int
	Degraded  int
	Secondary int
	External  int
	Worn      int // failed or degraded
	Earlier   int // places whose part had been replaced or repaired before the first visit
	LeftOut   int // of times, under silence read as unknown
	NotBack   int // fitted here and not seen since; in none of the others
	OfHandled Share
	OfTested  Share
}

// Reliability is the report: what fails, how often, and how sure that is.
type Report struct {
	By          []string
	Silence     Silence
	Confidence  float64
	AsOf        schema.Date
	Lag         int // days
	Failure     schema.Finding
	Origin      schema.Origin // empty: all
	Time        TimeUnit
	FromFile    bool // observations were read from a file: nothing is known but their times
	Units       int
	Worked      int      // units others had worked on before they first came
	Looked      int      // units in which somebody looked for signs of that
	Copies      []string // folders left out because another has their UUID
	Groups      []Group  // the most affected first
	Comparisons []Comparison
	Comebacks   Comebacks
	LeftOut     map[LeftOutReason]int
	Notes       []string
}

// TimeUnit is what times are counted in.
type TimeUnit string

const (
	Years     TimeUnit = "year"
	Hours     TimeUnit = "hour"
	FileTimes TimeUnit = "file" // whatever the file has
)

// part is one part observed for one unit of time, and many.
func (t TimeUnit) part() (one, many string) {
	switch t {
	case Hours:
		return "part-hour", "part-hours"
	case FileTimes:
		return "part and unit of time", "units of time of single parts"
	}
	return "part-year", "part-years"
}

// per is by what a rate is multiplied to be read, and how that is said.
func (t TimeUnit) per() (float64, string) {
	switch t {
	case Hours:
		return 1e6, "per million part-hours"
	case FileTimes:
		return 1, "per part and unit of time"
	}
	return 1000, "per 1000 part-years"
}

// ages is the unit of an age, as an axis has it.
func (t TimeUnit) ages() string {
	switch t {
	case Hours:
		return "hours"
	case FileTimes:
		return "units of time of the file"
	}
	return "years"
}

// ReliabilityGroup is the estimates for one group.
type Group struct {
	Key       []KeyPart
	Title     string
	Units     UnitShare
	WornUnits UnitShare // with a part failed or degraded
	First     FirstVisit
	// EarlierUnits is how many of AllUnits had parts of it replaced or repaired
	// before they first came, as far as their records show.
	EarlierUnits, AllUnits int

	WornEnd     bool // its normal end is to be worn out, not to fail
	Parts       PartCounts
	Life        map[Silence]*Life
	MostLeftOut LeftOutReason // the commonest reason; empty: none left out
	Prompted    int           // own failures that brought the unit in
	FailedUnit  string        // the unit with all failures, where there are several and one has them all

	MostLeftOutCount int // parts left out for that reason
}

// readings lists the readings of silence there are.
func (r *Report) readings() []Silence {
	if r.FromFile {
		return []Silence{r.Silence}
	}
	return []Silence{SilenceUnknown, SilenceWorking}
}

// fill sets what was left out, or returns what is wrong with the options.
func (opt *Options) fill() error {
	opt.Silence = cmp.Or(opt.Silence, SilenceUnknown)
	if !slices.Contains(Silence("").Words(), string(opt.Silence)) {
		return fmt.Errorf("no reading of silence %q => write one of: %s", string(opt.Silence), strings.Join(Silence("").Words(), ", "))
	}
	if opt.Origin != "" && !slices.Contains(schema.Origin("").Words(), string(opt.Origin)) {
		return fmt.Errorf("no origin %q => write one of: %s", string(opt.Origin), strings.Join(schema.Origin("").Words(), ", "))
	}
	if opt.Confidence == 0 {
		opt.Confidence = 0.95
	}
	if !(opt.Confidence > 0 && opt.Confidence < 1) {
		return fmt.Errorf("confidence %v is not between 0 and 1 => write 95 %% as 0.95", opt.Confidence)
	}
	return nil
}

// EstimateReliability estimates every group of the observations. It returns an
// error for a word of By it does not know, a reading of silence or an origin it
// does not know, or a confidence that is not strictly between 0 and 1.
func Estimate(obs *Observations, families schema.FamilyList, opt Options) (*Report, error) {
	e, err := newEstimator(opt)
	if err != nil {
		return nil, err
	}
	for _, o := range obs.All {
		e.add(o)
	}
	return e.estimate(obs, families), nil
}

// estimator sorts observations into groups as they come, so that those of a
// large ledger need not be held.
type estimator struct {
	opt      Options
	keys     []func(Observation) string
	words    []string // of one observation
	groups   map[string]*grouped
	order    []string // of groups, as they first came
	leftOut  map[LeftOutReason]int
	compared *compared
	results  *ledger.Results // of earlier runs; nil: none
}

// grouped is one group as far as it has come.
type grouped struct {
	counts *groupCount
	life   map[Silence]*merger
}

func newEstimator(opt Options) (*estimator, error) {
	if len(opt.By) == 0 {
		opt.By = []string{"family"}
	}
	if err := opt.fill(); err != nil {
		return nil, err
	}
	keys, err := keyFuncs(opt.By)
	if err != nil {
		return nil, err
	}
	return &estimator{opt: opt, keys: keys, words: make([]string, len(keys)), groups: map[string]*grouped{}, leftOut: map[LeftOutReason]int{},
		compared: newCompared(opt)}, nil
}

func (e *estimator) add(o Observation) {
	if e.opt.Origin != "" && o.Origin != e.opt.Origin {
		return
	}
	if o.Kind == ObservedLeftOut {
		e.leftOut[o.Reason] += o.Count
	}
	for i, k := range e.keys {
		e.words[i] = k(o)
	}
	id := strings.Join(e.words, "\x00")
	g := e.groups[id]
	if g == nil {
		g = &grouped{newGroupCount(), map[Silence]*merger{}}
		if !e.opt.CountsOnly && !e.opt.ComparisonsOnly {
			for _, s := range (&Report{}).readings() {
				g.life[s] = newMerger(s)
			}
		}
		e.groups[id] = g
		e.order = append(e.order, id)
	}
	g.counts.add(o)
	for _, m := range g.life {
		m.add(o)
	}
	if !e.opt.CountsOnly {
		e.compared.add(o)
	}
}

// estimate estimates all groups. Of the observations it uses what they have in
// common.
func (e *estimator) estimate(obs *Observations, families schema.FamilyList) *Report {
	opt := e.opt
	r := &Report{By: opt.By, Silence: opt.Silence, Confidence: opt.Confidence, AsOf: obs.AsOf, Lag: obs.Lag, Origin: opt.Origin,
		Failure: schema.Failed, Time: Years, Units: obs.Units, Comebacks: obs.Comebacks, LeftOut: e.leftOut,
		Worked: obs.Worked, Looked: obs.Looked, Copies: obs.Copies}
	if obs.FailureDegraded {
		r.Failure = schema.Degraded
	}
	if obs.Hours {
		r.Time = Hours
	}
	for _, id := range e.order {
		g := e.groups[id].counts.group(opt.Confidence)
		for i, w := range strings.Split(id, "\x00") {
			g.Key = append(g.Key, KeyPart{opt.By[i], w})
		}
		g.Title = groupTitle(g.Key, families)
		g.WornEnd = slices.ContainsFunc(g.Key, func(k KeyPart) bool {
			return k.Name == "family" && families[schema.FamilyName(k.Value)].End == schema.EndWorn
		})
		r.Groups = append(r.Groups, g)
	}
	e.lives(r)
	slices.SortStableFunc(r.Groups, mostAffected)
	if opt.CountsOnly {
		return r
	}
	if opt.ComparisonsOnly {
		r.compare(e.compared, families, opt, nil)
		return r
	}
	readings := r.readings()
	inParallel(len(readings), func(i int) { rankGroups(r.Groups, readings[i], e.results) })
	r.compare(e.compared, families, opt, e.results)
	r.Notes = r.notes()
	return r
}

// lives estimates the lifetimes of all groups, on all processors.
func (e *estimator) lives(r *Report) {
	type task struct {
		times lifetimes
		life  *Life
	}
	var tasks []task
	for i, id := range e.order {
		for s, m := range e.groups[id].life {
			life := &Life{}
			r.Groups[i].Life[s] = life
			m.time = r.Time
			tasks = append(tasks, task{m.lifetimes, life})
		}
	}
	inParallel(len(tasks), func(i int) { *tasks[i].life = tasks[i].times.estimateOnce(e.opt, e.results) })
}

// inParallel does work for every number below n on all processors.
func inParallel(n int, work func(i int)) {
	var next atomic.Int64
	var workers sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		workers.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				work(i)
			}
		})
	}
	workers.Wait()
}

// Either is a figure with the interval of both readings of silence together.
type Either struct{ Point, Low, High float64 }

// EitherRate is the rate under both readings of silence: the point is that of
// the report's own, the interval from the lower of the lower limits to the
// higher of the higher ones. ok is false where there is no rate or no upper
// limit under one of them.
func (r *Report) EitherRate(g Group) (e Either, ok bool) {
	e.Low, e.High = math.Inf(1), 0
	for _, s := range r.readings() {
		x := g.Life[s].Rate
		if x == nil || x.LowerOnly {
			return Either{}, false
		}
		if s == r.Silence {
			e.Point = x.point()
		}
		low := x.Low
		if x.UpperOnly {
			low = 0
		}
		e.Low, e.High = min(e.Low, low), max(e.High, x.High)
	}
	return e, true
}

// Verdict is the group's verdict on wear, with what it rests on or why it is
// not shown: the same under both readings of silence, or none.
func (r *Report) Verdict(g Group) (WearVerdict, []string) {
	own := g.Life[r.Silence].Wear
	other := r.otherReading()
	if other == "" || own.Verdict == WearNotShown || own.Verdict == WearTooFew {
		return own.Verdict, own.Reasons
	}
	if o := g.Life[other].Wear; o.Verdict != own.Verdict {
		return WearNotShown, append(own.Reasons[:len(own.Reasons):len(own.Reasons)],
			fmt.Sprintf("it hangs on silence: read as %s the verdict is %q, read as %s %q", r.Silence, string(own.Verdict), other, string(o.Verdict)))
	}
	return own.Verdict, own.Reasons
}

// sureWorst is the probability from which on one group is called the one that
// fails most.
const sureWorst = 0.95

// Unranked lists the groups that have come to the bench and are in no ranking
// under the report's reading of silence.
func (r *Report) Unranked() []Group {
	var out []Group
	for _, g := range r.Groups {
		if e := g.Life[r.Silence]; e.Rank == nil && (e.times.came > 0 || g.Parts.Failed > 0) {
			out = append(out, g)
		}
	}
	return out
}

// Worst is the group that fails most, where that can be said: every group that
// came to the bench is ranked, and under both readings of silence it is the
// same one with a probability of [sureWorst].
func (r *Report) Worst() (worst Group, ok bool) {
	if len(r.Unranked()) > 0 {
		return Group{}, false
	}
	for _, g := range r.Groups {
		sure := true
		for _, s := range r.readings() {
			x := g.Life[s].Rank
			sure = sure && x != nil && x.ProbWorst >= sureWorst
		}
		if sure {
			return g, true
		}
	}
	return Group{}, false
}

// mostAffected orders groups by the least that the data allow for the share of
// units, and those with few units last: one in one must outrank nothing.
func mostAffected(a, b Group) int {
	few := func(g Group) int {
		if g.Units.Inspected < fewUnits {
			return 1
		}
		return 0
	}
	return cmp.Or(cmp.Compare(few(a), few(b)),
		cmp.Compare(b.Units.Interval.Low, a.Units.Interval.Low),
		cmp.Compare(b.Units.Affected, a.Units.Affected),
		cmp.Compare(b.Parts.Failed, a.Parts.Failed),
		slices.CompareFunc(a.Key, b.Key, func(x, y KeyPart) int { return cmp.Compare(x.Value, y.Value) }))
}

func keyFuncs(by []string) ([]func(Observation) string, error) {
	var out []func(Observation) string
	for i, name := range by {
		if slices.Contains(by[:i], name) {
			return nil, fmt.Errorf("%q is named twice => name each key once", name)
		}
		k := slices.IndexFunc(reliabilityKeys, func(k groupKey) bool { return k.name == name })
		if k < 0 {
			if near := schema.Nearest(name, Keys()); near != "" {
				return nil, fmt.Errorf("cannot group by %q => did you mean %q?", name, near)
			}
			return nil, fmt.Errorf("cannot group by %q => write one or more of: %s", name, strings.Join(Keys(), ", "))
		}
		out = append(out, reliabilityKeys[k].value)
	}
	return out, nil
}

// groupTitle is how text calls a group: families by their title, everything
// else by its word.
func groupTitle(key []KeyPart, families schema.FamilyList) string {
	var words []string
	for _, k := range key {
		w := k.Value
		switch {
		case w == "":
			w = k.Name + " not recorded"
		case k.Name == "family":
			w = families.Title(schema.FamilyName(w))
		case k.Name == "lot" || k.Name == "kit" || k.Name == "built" || k.Name == "origin":
			w = k.Name + " " + w
		}
		words = append(words, w)
	}
	return strings.Join(words, ", ")
}

// tally is what one unit adds to a group.
type tally struct{ handled, tested, failed, worn int }

// groupCount counts what one group tells without its times.
type groupCount struct {
	parts    PartCounts
	prompted int
	units    map[string]*tally
	firsts   map[string]*tally // units, as their first visits found them
	earlier  map[string]bool   // units with parts replaced before they came
	all      map[string]bool
	names    []string // of units, as they first came
	reasons  map[LeftOutReason]int
}

func newGroupCount() *groupCount {
	return &groupCount{units: map[string]*tally{}, firsts: map[string]*tally{}, earlier: map[string]bool{}, all: map[string]bool{}, reasons: map[LeftOutReason]int{}}
}

func (c *groupCount) add(o Observation) {
	n := &c.parts
	c.all[o.Unit] = true
	if o.Restart == earlierWindow {
		n.Earlier += o.Count
		c.earlier[o.Unit] = true
		return
	}
	if o.Restart > 0 {
		return
	}
	if o.Prompted && o.Failed {
		c.prompted += o.Count
	}
	if tellsOf(o.FoundFirst, o.Hidden) {
		f := c.firsts[o.Unit]
		if f == nil {
			f = &tally{}
			c.firsts[o.Unit] = f
		}
		f.handled += o.Count
		if bench(o.FoundFirst) {
			f.tested += o.Count
		}
		if o.FailedFirst {
			f.failed += o.Count
		}
		if o.FailedFirst || o.FoundFirst == schema.Degraded {
			f.worn += o.Count
		}
	}
	if o.Kind == ObservedLeftOut {
		if o.Reason == LeftOutNotBack {
			n.NotBack += o.Count
		} else {
			n.LeftOut += o.Count
			c.reasons[o.Reason] += o.Count
		}
	}
	switch o.Found {
	case schema.InService:
		n.InService += o.Count
	case schema.Untested, schema.Missing:
		n.Untested += o.Count
	case schema.Degraded:
		n.Degraded += o.Count
	}
	if !o.Handled {
		return
	}
	u := c.units[o.Unit]
	if u == nil {
		u = &tally{}
		c.units[o.Unit] = u
		c.names = append(c.names, o.Unit)
	}
	u.handled += o.Count
	if bench(o.Found) {
		u.tested += o.Count
	}
	if o.Failed || o.Found == schema.Degraded && !o.Secondary && !o.External {
		u.worn += o.Count
	}
	switch {
	case o.Failed:
		u.failed += o.Count
	case o.Secondary:
		n.Secondary += o.Count
	case o.External:
		n.External += o.Count
	}
}

func (c *groupCount) group(level float64) Group {
	g := Group{Life: map[Silence]*Life{}, Parts: c.parts, Prompted: c.prompted}
	g.EarlierUnits, g.AllUnits = len(c.earlier), len(c.all)
	n := &g.Parts
	var ofHandled, ofTested []lifedata.Cluster
	for _, name := range c.names {
		u := c.units[name]
		n.Handled += u.handled
		n.Tested += u.tested
		n.Failed += u.failed
		g.Units.Inspected++
		if u.failed > 0 {
			g.Units.Affected++
		}
		if u.failed > 0 {
			g.FailedUnit = name
		}
		if u.worn > 0 {
			g.WornUnits.Affected++
		}
		n.Worn += u.worn
		ofHandled = append(ofHandled, lifedata.Cluster{Numerator: float64(u.failed), Denominator: float64(u.handled)})
		if u.tested > 0 {
			ofTested = append(ofTested, lifedata.Cluster{Numerator: float64(u.failed), Denominator: float64(u.tested)})
		}
	}
	if g.Units.Affected != 1 || n.Failed < 2 {
		g.FailedUnit = ""
	}
	for _, reason := range leftOutReasons {
		if c.reasons[reason] > c.reasons[g.MostLeftOut] {
			g.MostLeftOut, g.MostLeftOutCount = reason, c.reasons[reason]
		}
	}
	g.Units.fill(level)
	g.WornUnits.Inspected = g.Units.Inspected
	g.WornUnits.fill(level)
	var first []lifedata.Cluster
	for _, name := range c.names {
		f := c.firsts[name]
		if f == nil {
			continue
		}
		g.First.Units.Inspected++
		if f.failed > 0 {
			g.First.Units.Affected++
		}
		if f.worn > 0 {
			g.First.Worn.Affected++
		}
		g.First.Tested += f.tested
		g.First.Failed += f.failed
		if f.tested > 0 {
			first = append(first, lifedata.Cluster{Numerator: float64(f.failed), Denominator: float64(f.tested)})
		}
	}
	g.First.Units.fill(level)
	g.First.Worn.Inspected = g.First.Units.Inspected
	g.First.Worn.fill(level)
	g.First.OfTested = partShare(first, level)
	n.OfHandled = partShare(ofHandled, level)
	n.OfTested = partShare(ofTested, level)
	return g
}

// leftOutReasons is the order in which ties between reasons are settled.
var leftOutReasons = []LeftOutReason{LeftOutEarlier, LeftOutHidden, LeftOutUnseen, LeftOutUntested, LeftOutAge, LeftOutSecondary,
	LeftOutExternal, LeftOutMissing, LeftOutRemoved, LeftOutPool, LeftOutRepeat, LeftOutMeter}

// title is a group's key as tables and files have it.
func (g Group) title() string {
	var words []string
	for _, k := range g.Key {
		w := k.Value
		if w == "" {
			w = "not recorded"
		}
		words = append(words, page.Clean(w))
	}
	return strings.Join(words, ", ")
}

// notes says what holds for all groups.
func (r *Report) notes() []string {
	_, per := r.Time.per()
	var notes []string
	if r.FromFile {
		notes = append(notes,
			"read from a file of observations: units and parts are those of the file, a part counts as tested where the file says anything of its time",
			"rows of a group whose name ends in "+strconv.Quote(agelessSuffix)+" count in the rate of the group without it, and in nothing that depends on age")
	} else {
		notes = append(notes,
			"units is the share of units with at least one failure, of those in which a part was tested or, where a failure is heard, in service (Wilson interval); untested parts are in no share",
			"share of parts is failed / all of those; the wider of the Clopper-Pearson interval and one that lets parts of one unit fail together, none from a single unit",
			"a part taken down by another part or from outside is counted apart and is not among the failed",
			"silence unknown: a part is good until it was last known good; silence working: a part still fitted in a unit last heard of working is good until "+r.lagWords()+"; what fails unheard is known good by a test of the part only",
			"a build date that is a span counts from its middle; a verdict on wear is the same from its beginning and its end, and the interval of B10 holds all three",
			"where nothing shows that parts are original, and others may have repaired them, they count from the end of the first visit on; so does a whole family where one failure in ten or more brought its unit in")
	}
	notes = append(notes,
		"rates ("+per+") take a part to fail as readily young as old; the wider of the profile likelihood interval and one that lets parts of one unit fail together",
		"a rate without a failure is a bound that takes parts to fail one by one; it is too low for what fails several to a unit",
		"ranks draw every rate towards the others, the more the less is known of it; their intervals hold 90% of the probability",
		"a rate with bounds: parts were not looked at when they were last there; low takes them all to have been good, high to have failed, middle takes the suspects among them to have failed as often as tested parts did",
		"wear, B10 and curves are of parts of known age; a counted pool has no ages")
	if r.Time == Hours {
		notes = append(notes, "hours are those of the unit's meter, taken to have left the maker at 0; nobody knows how long a silent unit has run, so both readings of silence are one")
	}
	if len(r.Copies) > 0 {
		notes = append(notes, "left out, because another folder has the same UUID: "+page.Listed(r.Copies))
	}
	if r.Origin != "" {
		notes = append(notes, "only parts of this origin: "+string(r.Origin))
	}
	if r.Failure == schema.Degraded {
		notes = append(notes, "a degraded part counts as failed; that a unit worked does not show that its parts were not degraded")
	}
	for _, reason := range append(leftOutReasons, LeftOutNotBack) {
		if n := r.LeftOut[reason]; n > 0 {
			notes = append(notes, fmt.Sprintf("not counted in rates: %d %s", n, reason))
		}
	}
	for _, c := range r.Comparisons {
		notes = append(notes, "comparison: "+r.comparisonSentence(c))
	}
	if !r.FromFile {
		for _, s := range r.comebackSentences() {
			notes = append(notes, "comebacks: "+s)
		}
	}
	return notes
}

// lagWords is the day until which silence may mean working.
func (r *Report) lagWords() string {
	if r.Lag == 0 {
		return "the as-of date"
	}
	return page.Plural(r.Lag, "day", "days") + " before the as-of date"
}
