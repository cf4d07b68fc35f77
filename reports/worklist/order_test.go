package worklist

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"benchlore/ledger"
	"benchlore/ledger/worksheet"
	"benchlore/reports/internal/benchtest"
	"benchlore/schema"
	"benchlore/schema/unit"
)

const waitingParts = `
kind = "parts"
date = 2021-03-09
by = "mw"
`

// waiting is a unit with an open job and these part lines.
func waiting(t testing.TB, lines string) *unit.Unit {
	t.Helper()
	return benchtest.BenchOf(t, benchtest.BenchInstrument, benchtest.BenchModel, benchtest.With(firstStay, map[string]string{"2021-03-05-parts-aaac": "",
		"2021-03-06-mod-aaad": "", "2021-03-09-parts-aaaz": waitingParts + lines})).Unit
}

func lotOf(t testing.TB, text string) *schema.Lot {
	t.Helper()
	l, problems := schema.Decode[schema.Lot]("lots/x.toml", []byte("date = 2020-01-02\n"+text))
	if schema.Worst(problems) >= schema.Wrong {
		t.Fatal(problems)
	}
	return l
}

func stockOf(lots map[string]*schema.Lot) *ledger.Catalog {
	return &ledger.Catalog{Families: schema.NewFamilyList(nil), Lots: lots}
}

// told writes an order in short: "order/stock part: places".
func told(o *Order) string {
	var b strings.Builder
	for _, l := range o.Lines {
		fmt.Fprintf(&b, "%d/%d %s [%s]: %s\n", l.Order, l.Stock, l.part(), l.lots(), l.places(func(string) string { return "u" }))
	}
	for _, r := range o.Refused {
		fmt.Fprintf(&b, "refused %s: %s\n", r.Where, r.Text)
	}
	for _, n := range o.Notes {
		fmt.Fprintf(&b, "note %s\n", n)
	}
	return b.String()
}

func TestOrderAddsUp(t *testing.T) {
	const elko = "family = \"capacitor/electrolytic\"\nquantity = %d\npart = {value = %q, rating = %q}\n"
	lot := func(n int, value, rating, more string) *schema.Lot {
		return lotOf(t, fmt.Sprintf(elko, n, value, rating)+more)
	}
	const two = "[[part]]\nsection = \"power supply\"\nref = \"C1-C2\"\nfound = \"failed\"\naction = \"pending\"\n"
	for _, c := range []struct {
		name, lines string
		lots        map[string]*schema.Lot
		used        Usage
		kits        []string
		want        string
	}{
		{name: "nothing waits", lines: "", want: ""},
		{name: "as the model has it", lines: two, want: "2/0 capacitor/electrolytic, 470 uF, 25 V []: u power supply C1-C2\n"},
		{name: "a higher rating of the same value serves", lines: two, lots: map[string]*schema.Lot{"a": lot(1, "470u", "35 V", "")},
			want: "1/1 capacitor/electrolytic, 470 uF, 25 V [1 of a]: u power supply C1-C2\n"},
		{name: "a lower rating never does", lines: two, lots: map[string]*schema.Lot{"a": lot(9, "470 uF", "16 V", "")},
			want: "2/0 capacitor/electrolytic, 470 uF, 25 V []: u power supply C1-C2\n"},
		{name: "nor another value or family", lines: two, lots: map[string]*schema.Lot{"a": lot(9, "47 uF", "63 V", ""),
			"b": lotOf(t, "family = \"capacitor/tantalum\"\nquantity = 9\npart = {value = \"470 uF\", rating = \"63 V\"}\n")},
			want: "2/0 capacitor/electrolytic, 470 uF, 25 V []: u power supply C1-C2\n"},
		{name: "nor one whose rating nobody knows", lines: two,
			lots: map[string]*schema.Lot{"a": lotOf(t, "family = \"capacitor/electrolytic\"\nquantity = 9\npart = {value = \"470 uF\"}\n")},
			want: "2/0 capacitor/electrolytic, 470 uF, 25 V []: u power supply C1-C2\n"},
		{name: "what was used and rejected is gone", lines: two, lots: map[string]*schema.Lot{"a": lot(10, "470 uF", "25 V", "tested = 10\nrejected = 3\n")},
			used: Usage{"a": 6}, want: "1/1 capacitor/electrolytic, 470 uF, 25 V [1 of a]: u power supply C1-C2\n"},
		{name: "more used than came", lines: two, lots: map[string]*schema.Lot{"a": lot(10, "470 uF", "25 V", "")}, used: Usage{"a": 11},
			want: "2/0 capacitor/electrolytic, 470 uF, 25 V []: u power supply C1-C2\nnote lot a: 10 came, 0 were rejected and 11 used, which is more than there were\n"},
		{name: "a bad lot is no stock", lines: two, lots: map[string]*schema.Lot{"a": lot(10, "470 uF", "25 V", "notice = [{date = 2020-02-01, by = \"mw\", verdict = \"bad\", what = \"leaks\"}]\n")},
			want: "2/0 capacitor/electrolytic, 470 uF, 25 V []: u power supply C1-C2\nnote lot a is bad: its 10 left are not counted\n"},
		{name: "the lowest rating that will do goes first", lines: two,
			lots: map[string]*schema.Lot{"a": lot(1, "470 uF", "63 V", ""), "b": lot(1, "470 uF", "35 V", "")},
			want: "0/2 capacitor/electrolytic, 470 uF, 25 V [1 of b, 1 of a]: u power supply C1-C2\n"},
		{name: "what is to go in wins over the model", lines: strings.Replace(two, "C1-C2", "C1", 1) + "new = {value = \"680 uF\", rating = \"40 V\", part_number = \"AX-680\"}\n" +
			strings.Replace(two, "C1-C2", "C2", 1),
			want: "1/0 capacitor/electrolytic, 470 uF, 25 V []: u power supply C2\n1/0 capacitor/electrolytic, 680 uF, 40 V, AX-680 []: u power supply C1\n"},
		{name: "values written differently are one line", lines: strings.Replace(two, "C1-C2", "C1", 1) + "new = {value = \"470u\", rating = \"25V\"}\n" + strings.Replace(two, "C1-C2", "C2", 1),
			want: "2/0 capacitor/electrolytic, 470u, 25V []: u power supply C1-C2\n"},
		{name: "a lower rating than the position's is refused", lines: strings.Replace(two, "C1-C2", "C1", 1) + "new = {value = \"470 uF\", rating = \"16 V\"}\n",
			want: "refused power supply C1: rated 16 V, where the position needs at least 25 V\n"},
		{name: "volts for a capacitor are refused", lines: strings.Replace(two, "C1-C2", "C1", 1) + "new = {value = \"470 V\"}\n",
			want: "refused power supply C1: 470 V, where the position has 470 uF\n"},
		{name: "work that waits without a part", lines: strings.Replace(two, "failed", "in-service", 1),
			want: "note astrella-49/4711: not counted, since nothing says that a new part is needed: power supply C1-C2 (2 parts)\n"},
		{name: "what was done since is not needed", lines: two + "[[part]]\nsection = \"power supply\"\nref = \"C3\"\nfound = \"failed\"\naction = \"replaced\"\nnew = {value = \"470 uF\"}\n",
			want: "2/0 capacitor/electrolytic, 470 uF, 25 V []: u power supply C1-C2\n"},
		{name: "a kit's new parts", lines: "", kits: []string{"quiet supply"}, want: "1/0 ic/regulator, 15 V, three-terminal regulator []: u power supply IC1\n"},
		{name: "a kit's revision", lines: "", kits: []string{"quiet supply/2"}, want: "1/0 ic/regulator, 15 V, three-terminal regulator []: u power supply IC1\n"},
		{name: "parts of a pool", lines: "[[part]]\nsection = \"power supply\"\nfamily = \"board/joint\"\ncount = 4\nfound = \"degraded\"\naction = \"pending\"\n",
			want: "4/0 board/joint []: u power supply, 4 of a pool\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			o, err := NewOrder([]*unit.Unit{waiting(t, c.lines)}, stockOf(c.lots), c.used, OrderOptions{Kits: c.kits})
			if err != nil {
				t.Fatal(err)
			}
			if got := told(o); got != c.want {
				t.Errorf("got:\n%swant:\n%s", got, c.want)
			}
		})
	}
}

func TestUsageCountsEveryJob(t *testing.T) {
	records := benchtest.With(benchtest.Restored, map[string]string{"2021-03-05-parts-aaac": strings.ReplaceAll(benchtest.Restored["2021-03-05-parts-aaac"], `type = "axial"`, `lot = "ax"`),
		"2021-10-02-parts-aaal": "kind = \"parts\"\ndate = 2021-10-02\nby = \"jt\"\n" +
			"[[part]]\nsection = \"power supply\"\nref = \"C2\"\nfound = \"ok\"\naction = \"replaced\"\nnew = {value = \"470 uF\", rating = \"35 V\", lot = \"ax\"}\n" +
			"[[part]]\nsection = \"power supply\"\nref = \"C3\"\nfound = \"ok\"\naction = \"pending\"\nnew = {value = \"470 uF\", rating = \"35 V\", lot = \"ax\"}\n" +
			"[[part]]\nsection = \"power supply\"\nfamily = \"board/joint\"\ncount = 5\nfound = \"ok\"\naction = \"replaced\"\nnew = {lot = \"ax\"}\n"})
	u := benchtest.BenchOf(t, benchtest.BenchInstrument, benchtest.BenchModel, records).Unit
	n := Usage{}
	n.Add(u)
	if n["ax"] != 3+1+5 {
		t.Errorf("%d of the lot are used, want 9", n["ax"])
	}
	u.Elsewhere = map[string]*unit.Bench{"2021-10-02-parts-aaal": {}}
	n = Usage{}
	n.Add(u)
	if n["ax"] != 3 {
		t.Errorf("%d of the lot are used, want 3: the rest is another bench's", n["ax"])
	}
}

func TestOrderUnknownKit(t *testing.T) {
	if _, err := NewOrder([]*unit.Unit{waiting(t, "")}, stockOf(nil), nil, OrderOptions{Kits: []string{"loud supply"}}); err == nil {
		t.Error("a kit nobody has was taken")
	}
}

// What lots can serve at most follows from Hall's theorem: of the needs rated at
// least r no more than the lots rated at least r hold.
func TestOrderTakesAllThatStockCanServe(t *testing.T) {
	u := waiting(t, "")
	rapid.Check(t, func(t *rapid.T) {
		ratings := []int{25, 35, 50, 63}
		needs, have := map[int]int{}, map[int]int{}
		lots := map[string]*schema.Lot{}
		for i := range rapid.IntRange(0, 5).Draw(t, "lots") {
			r := rapid.SampledFrom([]int{16, 25, 35, 50, 63}).Draw(t, "rating")
			n := rapid.IntRange(1, 6).Draw(t, "number")
			have[r] += n
			lots[fmt.Sprintf("l%d", i)] = &schema.Lot{Family: "capacitor/electrolytic", Quantity: n,
				Part: schema.Component{Value: "470 uF", Rating: schema.Quantity(fmt.Sprintf("%d V", r))}}
		}
		b := &order{o: &Order{}, stock: stockOf(lots)}
		total := 0
		for range rapid.IntRange(0, 12).Draw(t, "needs") {
			r := rapid.SampledFrom(ratings).Draw(t, "least")
			needs[r]++
			total++
			b.at(u, u.Positions[0], &schema.Component{Rating: schema.Quantity(fmt.Sprintf("%d V", r))}, "")
		}
		b.group()
		b.fromStock(Usage{})
		b.sort()
		short := 0
		for _, least := range ratings {
			n := 0
			for _, r := range ratings {
				if r >= least {
					n += needs[r] - have[r]
				}
			}
			short = max(short, n)
		}
		stock, taken := 0, map[string]int{}
		for _, l := range b.o.Lines {
			if l.Need != l.Stock+l.Order || l.Order < 0 {
				t.Fatalf("%+v does not add up", l)
			}
			stock += l.Stock
			n := 0
			for _, x := range l.Lots {
				taken[x.Lot] += x.Count
				n += x.Count
				if compareQuantity(lots[x.Lot].Part.Rating, schema.Quantity(l.Rating)) < 0 {
					t.Fatalf("%s from a lot of %s", l.Rating, lots[x.Lot].Part.Rating)
				}
			}
			if n != l.Stock {
				t.Fatalf("the lots give %d of %d", n, l.Stock)
			}
		}
		for n, x := range taken {
			if x > lots[n].Quantity {
				t.Fatalf("%d taken of %d", x, lots[n].Quantity)
			}
		}
		if stock != total-short {
			t.Fatalf("%d from stock, %d were possible", stock, total-short)
		}
	})
}

func TestOrderFilesHoldNoFormulas(t *testing.T) {
	u := waiting(t, "[[part]]\nsection = \"power supply\"\nref = \"C1\"\nfound = \"failed\"\naction = \"pending\"\nnew = {value = \"470 uF\", type = \"=1+1\", maker = \"@Ostrel\", part_number = \"-7\"}\n")
	o, err := NewOrder([]*unit.Unit{u}, stockOf(nil), nil, OrderOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := o.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := "capacitor/electrolytic|470 uF|25 V|'=1+1|'@Ostrel|-7||1|0|1||astrella-49/4711 power supply C1"
	if got := strings.Join(rows[1], "|"); len(rows) != 2 || got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	b.Reset()
	if err := o.WriteXLSX(&b); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	cells, err := f.GetRows("order")
	if err != nil || len(cells) != 2 || strings.Join(cells[1], "|") != want {
		t.Errorf("%v %v", cells, err)
	}
	for c, name := range cells[0] {
		formula, err := f.GetCellFormula("order", worksheet.CellAt(c, 2))
		if err != nil || formula != "" {
			t.Errorf("%s is a formula: %q %v", name, formula, err)
		}
		kind, err := f.GetCellType("order", worksheet.CellAt(c, 2))
		if number := c >= 7 && c <= 9; err != nil || number != (kind == excelize.CellTypeUnset || kind == excelize.CellTypeNumber) && cells[1][c] != "" {
			t.Errorf("%s has type %v", name, kind)
		}
	}
}
