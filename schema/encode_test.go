package schema

import (
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
	"pgregory.net/rapid"

	"benchlore/schema/edtf"
)

// forms holds texts that fields with a form of their own accept.
var forms = map[reflect.Type][]string{
	reflect.TypeFor[EDTF]():       {"1974", "1974-05", "1971/1974", "1974~", "197X", "../1974"},
	reflect.TypeFor[Quantity]():   {"22 uF", "4u7", "2k2", "15,02 V", "10 kΩ", "5 %", "24 h", "23 C"},
	reflect.TypeFor[Measured]():   {"15.02 V", NotMeasurable, "-3 cent"},
	reflect.TypeFor[UnitName]():   {"cent", "mV", "%"},
	reflect.TypeFor[Decimal]():    {"1250.00", "-3", "0.5"},
	reflect.TypeFor[Refs]():       {"C14", "C1-C12, C15", "key:17/contact.2", "@under IC4", "key:1-61"},
	reflect.TypeFor[Names]():      {"power supply", "voice 1-4, keybed"},
	reflect.TypeFor[FamilyName](): {"capacitor/tantalum", "contact/key"},
	reflect.TypeFor[Cause]():      {"surge", "power supply C3", "C3", "voice 3 @under IC4"},
	reflect.TypeFor[Values]():     {"0.3 -1.2 x", "1,5\n2.5\n", "3"},
}

// line draws text of one line that may stand in a record, awkward letters and
// marks included.
var line = rapid.StringOfN(rapid.OneOf(
	rapid.SampledFrom([]rune{'"', '\'', '\\', '#', '=', '[', '{', ',', '\t', ' ', 'é', 'Ω', '漢', '🎹', '%'}),
	rapid.Rune(),
).Filter(func(r rune) bool { return r == '\t' || hiddenRune(r) == "" }), 0, 30, -1)

// draw fills v with a value that decodes again: needed keys always, others at
// random.
func draw(t *rapid.T, v reflect.Value, f Field) {
	if words := (Field{Type: v.Type()}).Words(); words != nil && v.Kind() == reflect.String {
		v.SetString(rapid.SampledFrom(words).Draw(t, f.Key))
		return
	}
	if texts := forms[v.Type()]; texts != nil {
		v.SetString(rapid.SampledFrom(texts).Draw(t, f.Key))
		return
	}
	if v.Type() == reflect.TypeFor[Date]() {
		v.Set(reflect.ValueOf(drawDate(t)))
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		draw(t, v.Elem(), f)
	case reflect.String:
		s := line.Draw(t, f.Key)
		if f.Key == "note" {
			s += rapid.SampledFrom([]string{"", "\nsecond line", "\n", "\n\"\"\"\n", "\\\n"}).Draw(t, "more")
		}
		v.SetString(s)
	case reflect.Int:
		v.SetInt(rapid.Int64Range(1, 1<<40).Draw(t, f.Key))
	case reflect.Float64:
		v.SetFloat(rapid.Float64Range(0, 1e9).Draw(t, f.Key))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, f.Key))
	case reflect.Slice:
		n := rapid.IntRange(1, 3).Draw(t, "number of "+f.Key)
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			draw(t, v.Index(i), f)
		}
	case reflect.Struct:
		for _, sub := range fieldList(v.Type()) {
			if sub.Need || rapid.IntRange(0, 2).Draw(t, "with "+sub.Key) == 0 {
				draw(t, v.FieldByIndex(sub.Index), sub)
			}
		}
	default:
		panic("no way to draw " + v.Type().String())
	}
}

func drawDate(t *rapid.T) Date {
	d := edtf.Day{Year: rapid.IntRange(1, 9999).Draw(t, "year"), Month: rapid.IntRange(1, 12).Draw(t, "month"), Day: rapid.IntRange(1, 28).Draw(t, "day")}
	return Date{d}
}

// drawRecord draws a record of the kind.
func drawRecord(t *rapid.T, k Kind) Record {
	rec := New(k)
	draw(t, reflect.ValueOf(rec).Elem(), Field{})
	rec.Head().Kind = k
	return rec
}

func TestRecordRoundTrip(t *testing.T) {
	for _, word := range Kind("").Words() {
		t.Run(word, func(t *testing.T) {
			file := "2031-03-04-" + word + "-7q3f.toml"
			rapid.Check(t, func(t *rapid.T) {
				rec := drawRecord(t, Kind(word))
				text := Encode(rec)
				got, ps := DecodeRecord(file, text)
				if got == nil {
					t.Fatalf("cannot be read again:\n%s\n%s", drawings(ps), text)
				}
				if !reflect.DeepEqual(got, rec) {
					t.Fatalf("got  %+v\nwant %+v\n%s", got, rec, text)
				}
			})
		})
	}
}

func roundTrip[T any](t *testing.T, file string) {
	t.Run(file, func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			v := new(T)
			draw(t, reflect.ValueOf(v).Elem(), Field{})
			text := Encode(v)
			got, ps := Decode[T](file, text)
			if got == nil {
				t.Fatalf("cannot be read again:\n%s\n%s", drawings(ps), text)
			}
			if !reflect.DeepEqual(got, v) {
				t.Fatalf("got  %+v\nwant %+v\n%s", got, v, text)
			}
		})
	})
}

func TestFileRoundTrip(t *testing.T) {
	roundTrip[Instrument](t, "instrument.toml")
	roundTrip[Model](t, "model.toml")
	roundTrip[Shop](t, "shop.toml")
	roundTrip[Lot](t, "lot.toml")
	roundTrip[Families](t, "families.toml")
	roundTrip[Customers](t, "customers.toml")
	roundTrip[Book](t, "2031-03-04-cost-7q3f.toml")
}

func TestGoodSamplesRoundTrip(t *testing.T) {
	for _, s := range corpus(t, "good") {
		v, _ := s.decode()
		again := sample{file: s.file, data: Encode(v)}
		got, ps := again.decode()
		if len(ps) > 0 || !reflect.DeepEqual(got, v) {
			t.Errorf("%s: encoded and read again:\n%s%s", s.name, drawings(ps), again.data)
		}
		if changes, err := Compare(s.data, again.data); err != nil || len(changes) > 0 {
			t.Errorf("%s: encoding changed %v (%v)", s.name, changes, err)
		}
	}
}

// A line appended to a file is the line that is read.
func TestEncodeTable(t *testing.T) {
	head := []byte("kind = \"parts\"\ndate = 2031-03-04\nby = \"mw\"\n")
	rapid.Check(t, func(t *rapid.T) {
		var first, second PartLine
		draw(t, reflect.ValueOf(&first).Elem(), Field{})
		draw(t, reflect.ValueOf(&second).Elem(), Field{})
		text := append(append(append([]byte{}, head...), EncodeTable("part", first)...), EncodeTable("part", &second)...)
		rec, ps := DecodeRecord("2031-03-04-parts-7q3f.toml", text)
		if rec == nil {
			t.Fatalf("cannot be read:\n%s\n%s", drawings(ps), text)
		}
		if got := rec.(*Parts).Lines; !reflect.DeepEqual(got, []PartLine{first, second}) {
			t.Fatalf("got %+v\nwant %+v\n%s", got, []PartLine{first, second}, text)
		}
	})
}

func TestEncode(t *testing.T) {
	hours := 1240.0
	rec := &Parts{
		Common: Common{Kind: KindParts, Date: Date{edtf.Day{Year: 2031, Month: 3, Day: 4}}, By: "mw", Hours: &hours,
			Note: "first\nsecond", Settles: Idents{"W1"}, Warnings: []Warning{{Text: `a "live" bracket`}}},
		Lines: []PartLine{{Section: "power supply", Ref: "C14", Found: Failed, Mode: Modes{"short", "burnt"}, Action: Replaced,
			New: &Component{Value: "10 uF", Rating: "35 V"}}},
	}
	want := `kind = "parts"
date = 2031-03-04
by = "mw"
hours = 1240.0
note = """
first
second"""
settles = "W1"

[[warning]]
text = "a \"live\" bracket"

[[part]]
section = "power supply"
ref = "C14"
found = "failed"
mode = ["short", "burnt"]
action = "replaced"
new = {value = "10 uF", rating = "35 V"}
`
	if got := string(Encode(rec)); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// offered is a line of a template that holds a key or a table, commented out.
var offered = regexp.MustCompile(`(?m)^# (\[|[a-z_0-9]+ = )`)

func TestTemplate(t *testing.T) {
	for _, word := range Kind("").Words() {
		t.Run(word, func(t *testing.T) {
			rec := New(Kind(word))
			*rec.Head() = Common{Kind: Kind(word), Date: Date{edtf.Day{Year: 2031, Month: 3, Day: 4}}, By: "mw"}
			text := string(Template(rec))
			file := "2031-03-04-" + word + "-7q3f.toml"

			// As it stands it is TOML that lacks no more than what is to be filled in.
			plain, ps := DecodeRecord(file, []byte(text))
			if plain == nil {
				t.Fatalf("cannot be read:\n%s\n%s", drawings(ps), text)
			}
			if h := plain.Head(); h.Kind != Kind(word) || h.By != "mw" || h.Date.IsZero() {
				t.Errorf("what was preset is gone: %+v", h)
			}

			// With every key taken in it is still TOML, and every key is known.
			all := offered.ReplaceAllString(text, "$1")
			full, ps := DecodeRecord(file, []byte(all))
			if full == nil {
				t.Fatalf("cannot be read with every key in use:\n%s\n%s", drawings(ps), all)
			}
			for _, p := range ps {
				if strings.Contains(p.Message, "unknown key") {
					t.Errorf("%s", p.Drawing())
				}
			}
			md, err := toml.Decode(all, &map[string]any{})
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range FieldsOf(rec) {
				if !md.IsDefined(f.Key) {
					t.Errorf("the template does not offer %s", f.Key)
				}
			}
			for _, f := range FieldsOf(rec) {
				if f.Need && !f.Tables() && !strings.Contains("\n"+text, fmt.Sprintf("\n%s = ", f.Key)) {
					t.Errorf("%s is needed, but commented out", f.Key)
				}
			}
		})
	}
}
