package worklist

import (
	"cmp"
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"

	"benchlore/ledger"
	"benchlore/reports/page"
	"benchlore/schema"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// Order is what open units still need, less what lots have left. Lines are by
// family, value, rating and whatever else was asked for.
type Order struct {
	Schema int         `json:"schema"`
	Units  []string    `json:"units"` // with an open job
	Lines  []OrderLine `json:"lines"`
	// Refused are needs that cannot be met as they stand: a lower rating than the
	// position's, a value in the wrong unit.
	Refused []OrderRefusal `json:"refused"`
	// Notes say what was not counted, and why.
	Notes []string `json:"notes"`
}

// OrderLine is one kind of part.
type OrderLine struct {
	Family     string      `json:"family"`
	Title      string      `json:"title"` // of the family
	Value      string      `json:"value"`
	Rating     string      `json:"rating"` // at least
	Type       string      `json:"type"`
	Maker      string      `json:"maker,omitempty"`
	PartNumber string      `json:"partNumber,omitempty"`
	Match      string      `json:"match,omitempty"` // name of the matched group they form
	Need       int         `json:"need"`
	Stock      int         `json:"stock"` // of those, in lots
	Order      int         `json:"order"` // Need - Stock
	Lots       []OrderLot  `json:"lots"`
	For        []OrderUnit `json:"for"`
}

// OrderLot is a lot that has some of them.
type OrderLot struct {
	Lot   string `json:"lot"`
	Count int    `json:"count"`
}

// OrderUnit is where they go.
type OrderUnit struct {
	Unit  string `json:"unit"`
	Where string `json:"where"`
	Count int    `json:"count"`
}

// OrderRefusal is a need that cannot be right.
type OrderRefusal struct {
	Unit  string `json:"unit"`
	Where string `json:"where"`
	Text  string `json:"text"`
}

// OrderOptions choose what is added up.
type OrderOptions struct {
	Units []string // only these; none: every open unit
	Kits  []string // also what these kits put into positions the job has not dealt with: recap, recap/2
}

// OrderOf adds up what the open units of a ledger need. A request that cannot be
// met is a *ledger.UsageError.
func OrderOf(l *ledger.Ledger, o OrderOptions) (*Order, error) {
	stock, err := l.Catalog()
	if err != nil {
		return nil, err
	}
	var open []*unit.Unit
	used := Usage{}
	if err := l.All(stock, func(_ string, u *ledger.Loaded, err error) error {
		if err != nil {
			return err
		}
		used.Add(u.Unit)
		if u.OpenJob() != nil && (len(o.Units) == 0 || slices.Contains(o.Units, u.Name)) {
			open = append(open, u.Unit)
		}
		return nil
	}); err != nil {
		return nil, err
	}
	for _, n := range o.Units {
		if !slices.ContainsFunc(open, func(u *unit.Unit) bool { return u.Name == n }) {
			return nil, &ledger.UsageError{What: n + " has no open job, so nothing is needed for it", Remedy: "see: benchlore where"}
		}
	}
	return NewOrder(open, stock, used, o)
}

// Usage counts what was taken out of each lot, over all jobs, closed ones too.
type Usage map[string]int

// Add counts a unit. Lots of records from another bench are that bench's.
func (n Usage) Add(u *unit.Unit) {
	count := func(e *unit.Event, parts int) {
		if e.Line.New == nil || e.Line.New.Lot == "" || u.Elsewhere[e.File.Name()] != nil {
			return
		}
		if e.Line.Action == schema.Replaced || e.Line.Action == schema.Fitted {
			n[e.Line.New.Lot] += parts
		}
	}
	for _, p := range u.Positions {
		for _, o := range p.Occupants {
			if o.Fitted != nil { // every part that went in is an occupant of its own
				count(o.Fitted, 1)
			}
		}
	}
	for _, p := range u.Pools {
		for _, e := range p.Events {
			count(e, e.Line.Count)
		}
	}
}

// partNeed is one kind of part at one unit.
type partNeed struct {
	family schema.FamilyName
	part   schema.Component // value, rating and so on, of the new part where the line says so, else of the position
	match  string
	unit   string
	where  []*unit.Position // or
	pool   *unit.Pool
	count  int
}

// NewOrder adds up what units need, less what the lots have left.
func NewOrder(units []*unit.Unit, stock *ledger.Catalog, used Usage, o OrderOptions) (*Order, error) {
	b := &order{o: &Order{Schema: 1, Units: []string{}, Lines: []OrderLine{}, Refused: []OrderRefusal{}, Notes: []string{}}, stock: stock}
	kitFound := map[string]bool{}
	for _, u := range units {
		b.o.Units = append(b.o.Units, u.Name)
		var kits []*schema.Kit
		for _, k := range o.Kits {
			for _, kit := range kitsNamed(u, k) {
				kitFound[k] = true
				if kit == nil {
					return nil, &ledger.UsageError{What: fmt.Sprintf("the model of %s has kit %q in several revisions", u.Name, k), Remedy: "name one: --kit " + k + "/REVISION; see benchlore list kits"}
				}
				kits = append(kits, kit)
			}
		}
		b.pending(u, kits)
		b.kits(u, kits)
	}
	for _, k := range o.Kits {
		if !kitFound[k] && len(units) > 0 {
			return nil, &ledger.UsageError{What: fmt.Sprintf("no open unit's model has a kit %q", k), Remedy: "see: benchlore list kits"}
		}
	}
	b.group()
	b.fromStock(used)
	b.sort()
	return b.o, nil
}

// kitsNamed finds a kit of a unit's model by name or name/revision; a nil among
// them says that the name fits several revisions.
func kitsNamed(u *unit.Unit, name string) []*schema.Kit {
	var found []*schema.Kit
	for i := range u.Model.Kits {
		k := &u.Model.Kits[i]
		if name == k.Name || name == path.Clean(k.Name+"/"+k.Revision) {
			found = append(found, k)
		}
	}
	if len(found) > 1 {
		return []*schema.Kit{nil}
	}
	return found
}

type order struct {
	o      *Order
	stock  *ledger.Catalog
	needs  []partNeed
	groups []*orderGroup
}

type orderGroup struct {
	line  OrderLine
	needs []partNeed
}

// pending takes the positions and pools whose last line is pending. A part is
// needed where the line says what is to go in, or that the present one is failed,
// degraded or missing; other pending work needs none. What is to go in is the
// line's, else the kit's, else the model's.
func (b *order) pending(u *unit.Unit, kits []*schema.Kit) {
	var other []*unit.Position
	fromKits := ofKits(u, kits)
	for _, p := range u.Positions {
		o := p.Current()
		if o == nil || len(o.Events) == 0 {
			continue
		}
		l := o.Events[len(o.Events)-1].Line
		if l.Action != schema.Pending {
			continue
		}
		if !wantsPart(l) {
			other = append(other, p)
			continue
		}
		fresh := l.New
		if fresh == nil {
			fresh = fromKits[p]
		}
		b.at(u, p, fresh, cmp.Or(l.Match, p.Match))
	}
	for _, p := range u.Pools {
		if n := len(p.Events); n > 0 && p.Events[n-1].Line.Action == schema.Pending && p.Events[n-1].Job == u.OpenJob() && wantsPart(p.Events[n-1].Line) {
			l := p.Events[n-1].Line
			d := partNeed{family: p.Family, unit: u.Name, pool: p, count: l.Count}
			if l.New != nil {
				d.part = *l.New
				d.family = cmp.Or(l.New.Family, d.family)
			}
			b.needs = append(b.needs, d)
		}
	}
	if other != nil {
		b.o.Notes = append(b.o.Notes, fmt.Sprintf("%s: not counted, since nothing says that a new part is needed: %s (%s)", u.Name, placesOf(other), page.Plural(len(other), "part", "parts")))
	}
}

func wantsPart(l schema.PartLine) bool {
	switch l.Found {
	case schema.Failed, schema.Degraded, schema.Missing:
		return true
	}
	return l.New != nil
}

// ofKits is what kits put into the positions of a unit: the first that has a new
// part for a position.
func ofKits(u *unit.Unit, kits []*schema.Kit) map[*unit.Position]*schema.Component {
	fresh := map[*unit.Position]*schema.Component{}
	for _, k := range kits {
		for _, l := range u.KitLines(k) {
			if l.Position != nil && fresh[l.Position] == nil {
				fresh[l.Position] = l.Line.New
			}
		}
	}
	return fresh
}

// kits takes what kits put into positions the open job has not dealt with.
func (b *order) kits(u *unit.Unit, kits []*schema.Kit) {
	job := u.OpenJob()
	fromKits := ofKits(u, kits)
	for _, p := range u.Positions {
		fresh := fromKits[p]
		if fresh == nil || slices.ContainsFunc(p.Occupants, func(o *unit.Occupant) bool {
			return o.Fitted != nil && o.Fitted.Job == job || slices.ContainsFunc(o.Events, func(e *unit.Event) bool { return e.Job == job })
		}) {
			continue
		}
		b.at(u, p, fresh, p.Match)
	}
	for _, k := range kits {
		for _, l := range u.KitLines(k) {
			if l.Position == nil && l.Line.New != nil {
				b.at(u, &unit.Position{Section: l.Section, Ref: l.Ref, Family: l.Line.Family}, l.Line.New, "")
			}
		}
	}
}

// at notes one part for one position.
func (b *order) at(u *unit.Unit, p *unit.Position, fresh *schema.Component, match string) {
	d := partNeed{family: p.Family, unit: u.Name, where: []*unit.Position{p}, match: match, count: 1,
		part: schema.Component{Value: p.Value, Rating: p.Rating, Type: p.Type}}
	if fresh != nil {
		other := fresh.Family != "" && fresh.Family != p.Family
		d.family = cmp.Or(fresh.Family, p.Family)
		d.part.Value = cmp.Or(fresh.Value, d.part.Value)
		d.part.Rating = cmp.Or(fresh.Rating, d.part.Rating)
		if other || fresh.Type != "" || fresh.PartNumber != "" {
			d.part.Type = fresh.Type
		}
		d.part.Maker, d.part.PartNumber, d.part.Lot = fresh.Maker, fresh.PartNumber, fresh.Lot
	}
	if text := nonsense(d, p); text != "" {
		b.o.Refused = append(b.o.Refused, OrderRefusal{u.Name, p.Name(), text})
		return
	}
	b.needs = append(b.needs, d)
}

// nonsense says why a need cannot be ordered, "" where it can.
func nonsense(d partNeed, p *unit.Position) string {
	fresh, ok := d.part.Rating.Parse()
	old, ok2 := p.Rating.Parse()
	if ok && ok2 && p.Family.Group() != "fuse" { // of a fuse the lower one is often right
		switch c, err := fresh.Cmp(old); {
		case err != nil:
			return fmt.Sprintf("a rating of %s where the position's is %s", d.part.Rating, p.Rating)
		case c < 0:
			return fmt.Sprintf("rated %s, where the position needs at least %s", d.part.Rating, p.Rating)
		}
	}
	value, ok := d.part.Value.Parse()
	had, ok2 := p.Value.Parse()
	if ok && ok2 && d.family.Group() == p.Family.Group() && !value.Compatible(had) {
		return fmt.Sprintf("%s, where the position has %s", d.part.Value, p.Value)
	}
	return ""
}

// canonical is a quantity by its value, or as written where it cannot be read.
func canonical(q schema.Quantity) string {
	if v, ok := q.Parse(); ok {
		return v.Canonical()
	}
	return string(q)
}

func (b *order) group() {
	byKey := map[string]*orderGroup{}
	for _, d := range b.needs {
		match := ""
		if d.match != "" {
			match = d.unit + " " + d.match // a matched group belongs to one unit
		}
		key := strings.Join([]string{string(d.family), canonical(d.part.Value), canonical(d.part.Rating), strings.ToLower(d.part.Type),
			strings.ToLower(d.part.Maker), d.part.PartNumber, d.part.Lot, match}, "\x00")
		g := byKey[key]
		if g == nil {
			g = &orderGroup{line: OrderLine{Family: string(d.family), Title: page.Clean(b.stock.Families.Title(d.family)), Value: page.Clean(string(d.part.Value)), Rating: page.Clean(string(d.part.Rating)),
				Type: page.Clean(d.part.Type), Maker: page.Clean(d.part.Maker), PartNumber: page.Clean(d.part.PartNumber), Match: page.Clean(d.match), Lots: []OrderLot{}}}
			byKey[key] = g
			b.groups = append(b.groups, g)
		}
		g.line.Need += d.count
		g.needs = append(g.needs, d)
	}
	for _, g := range b.groups {
		g.line.For = g.whereTo()
	}
}

// whereTo lists the units a line is for, with their positions.
func (g *orderGroup) whereTo() []OrderUnit {
	var out []OrderUnit
	places := map[string][]*unit.Position{}
	for _, d := range g.needs {
		at := slices.IndexFunc(out, func(u OrderUnit) bool { return u.Unit == d.unit })
		if at < 0 {
			at = len(out)
			out = append(out, OrderUnit{Unit: d.unit})
		}
		out[at].Count += d.count
		if d.pool != nil {
			out[at].Where = strings.TrimPrefix(out[at].Where+"; "+fmt.Sprintf("%s, %d of a pool", d.pool.Section, d.count), "; ")
		}
		places[d.unit] = append(places[d.unit], d.where...)
	}
	for i := range out {
		if ps := places[out[i].Unit]; ps != nil {
			out[i].Where = strings.TrimSuffix(placesOf(ps)+"; "+out[i].Where, "; ")
		}
	}
	return out
}

// placesOf names positions, sections with the same ones together: "divider 1-12
// C2-C7; preamp C1".
func placesOf(ps []*unit.Position) string {
	bySection := map[string][]refs.Ref{}
	var sections, order []string
	for _, p := range ps {
		if bySection[p.Section] == nil {
			sections = append(sections, p.Section)
		}
		bySection[p.Section] = append(bySection[p.Section], p.Ref)
	}
	alike := map[string][]string{}
	for _, s := range sections {
		list := refs.Compact(bySection[s])
		if alike[list] == nil {
			order = append(order, list)
		}
		alike[list] = append(alike[list], s)
	}
	for i, list := range order {
		order[i] = page.CompactNames(alike[list]) + " " + list
	}
	return strings.Join(order, "; ")
}

// shelf is what is left of a lot.
type shelf struct {
	name string
	lot  *schema.Lot
	left int
}

// fromStock uses up the lots, for the needs that fewest lots can meet first:
// a lot serves a need of its own rating or a lower one, so the highest needs
// come first and each takes the lowest rating that will do.
func (b *order) fromStock(used Usage) {
	var shelves []*shelf
	for _, n := range slices.Sorted(maps.Keys(b.stock.Lots)) {
		lot := b.stock.Lots[n]
		left := lot.Quantity - lot.Rejected - used[n]
		if !slices.ContainsFunc(b.groups, func(g *orderGroup) bool { return serves(n, lot, g) }) {
			continue
		}
		if k := len(lot.Notices); k > 0 && lot.Notices[k-1].Verdict != schema.LotGood {
			if left > 0 {
				b.o.Notes = append(b.o.Notes, fmt.Sprintf("lot %s is %s: its %d left are not counted", n, lot.Notices[k-1].Verdict, left))
			}
			continue
		}
		if left < 0 {
			b.o.Notes = append(b.o.Notes, fmt.Sprintf("lot %s: %d came, %d were rejected and %d used, which is more than there were", n, lot.Quantity, lot.Rejected, used[n]))
		}
		if left > 0 {
			shelves = append(shelves, &shelf{n, lot, left})
		}
	}
	slices.SortStableFunc(shelves, func(x, y *shelf) int {
		return cmp.Or(compareQuantity(x.lot.Part.Rating, y.lot.Part.Rating), x.lot.Date.Compare(y.lot.Date.Day), cmp.Compare(x.name, y.name))
	})
	demanding := slices.Clone(b.groups)
	slices.SortStableFunc(demanding, func(x, y *orderGroup) int {
		byLot := func(g *orderGroup) int { return len(min(g.needs[0].part.Lot, "x")) }
		byNumber := func(g *orderGroup) int { return len(min(g.line.PartNumber, "x")) }
		return cmp.Or(byLot(y)-byLot(x), byNumber(y)-byNumber(x), compareQuantity(y.needs[0].part.Rating, x.needs[0].part.Rating))
	})
	for _, g := range demanding {
		for _, s := range shelves {
			if n := min(g.line.Need-g.line.Stock, s.left); n > 0 && serves(s.name, s.lot, g) {
				if g.line.Match != "" && n < g.line.Need {
					continue // a matched group comes from one lot
				}
				s.left -= n
				g.line.Stock += n
				g.line.Lots = append(g.line.Lots, OrderLot{s.name, n})
			}
		}
		g.line.Order = g.line.Need - g.line.Stock
	}
}

// compareQuantity orders by value; what cannot be read or compared comes first.
func compareQuantity(x, y schema.Quantity) int {
	a, ok := x.Parse()
	b, ok2 := y.Parse()
	if !ok || !ok2 {
		return cmp.Compare(b2i(ok), b2i(ok2))
	}
	c, err := a.Cmp(b)
	if err != nil {
		return cmp.Compare(a.Canonical(), b.Canonical())
	}
	return c
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// serves reports whether parts of a lot can meet a need: the same family and
// value, at least the rating (of a fuse exactly that), and the part number where
// one is asked for. Parts without a value are told apart by their type.
func serves(name string, lot *schema.Lot, g *orderGroup) bool {
	want := g.needs[0]
	part := lot.Part
	if want.part.Lot != "" {
		return want.part.Lot == name
	}
	if cmp.Or(part.Family, lot.Family) != want.family || want.part.PartNumber != "" && part.PartNumber != want.part.PartNumber ||
		want.part.Maker != "" && !strings.EqualFold(part.Maker, want.part.Maker) {
		return false
	}
	if want.part.Value == "" {
		if want.part.PartNumber == "" && (want.part.Type == "" || !strings.EqualFold(part.Type, want.part.Type)) {
			return false
		}
	} else if !equalQuantity(part.Value, want.part.Value) {
		return false
	}
	if want.part.Rating == "" {
		return true
	}
	have, ok := part.Rating.Parse()
	least, ok2 := want.part.Rating.Parse()
	if !ok || !ok2 {
		return false
	}
	c, err := have.Cmp(least)
	if want.family.Group() == "fuse" {
		return err == nil && c == 0
	}
	return err == nil && c >= 0
}

// equalQuantity compares values without their tolerances.
func equalQuantity(x, y schema.Quantity) bool {
	a, ok := x.Parse()
	b, ok2 := y.Parse()
	if !ok || !ok2 {
		return strings.EqualFold(string(x), string(y))
	}
	c, err := a.Cmp(b)
	return err == nil && c == 0
}

func (b *order) sort() {
	slices.SortStableFunc(b.groups, func(x, y *orderGroup) int {
		return cmp.Or(cmp.Compare(x.line.Family, y.line.Family), compareQuantity(schema.Quantity(x.line.Value), schema.Quantity(y.line.Value)),
			compareQuantity(schema.Quantity(x.line.Rating), schema.Quantity(y.line.Rating)), cmp.Compare(x.line.Type, y.line.Type), cmp.Compare(x.line.PartNumber, y.line.PartNumber))
	})
	for _, g := range b.groups {
		b.o.Lines = append(b.o.Lines, g.line)
	}
}
