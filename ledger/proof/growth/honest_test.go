package growth

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// pair is two benches that work on one unit, each on a line of its own, and bring
// the lines together now and then.
type pair struct {
	t     *rapid.T
	w     *world // objects and seals; its head is that of the bench at work
	bench [2]*bench
	heads [2]object.Hash
	at    int // the bench at work
	n     int
	done  map[string]int
}

func newPair(t *rapid.T) *pair {
	w, a, b := story()
	return &pair{t: t, w: w, bench: [2]*bench{a, b}, heads: [2]object.Hash{w.head, w.head}, done: map[string]int{}}
}

func (p *pair) turn(k int) *bench {
	p.at, p.w.head = k, p.heads[k]
	return p.bench[k]
}

func (p *pair) commit(f folder) { p.heads[p.at] = p.w.commit(p.bench[p.at], f) }

func (p *pair) name(kind string) string {
	p.n++
	return fmt.Sprintf("2031-03-%02d-%s-%s.toml", 10+p.n/20%15, kind, letters(p.n))
}

func letters(n int) string {
	const all = "abcdefghjkmnpqrstuvwxyz23456789"
	out := []byte{}
	for range 4 {
		out = append(out, all[n%len(all)])
		n /= len(all)
	}
	return string(out)
}

// record picks a record of the bench's folder.
func (p *pair) record(f folder) string {
	var list []string
	for _, q := range slices.Sorted(maps.Keys(f)) {
		if schema.IsRecordIn(q) {
			list = append(list, q)
		}
	}
	return rapid.SampledFrom(list).Draw(p.t, "record")
}

// act has a bench do one honest thing.
func (p *pair) act() {
	b := p.turn(rapid.IntRange(0, 1).Draw(p.t, "bench"))
	w := p.w
	f := w.at()
	what := rapid.SampledFrom([]string{"record", "record", "correct", "correct", "line", "withdraw", "reason", "same", "same", "late", "photo", "fill", "plate", "model", "seal", "rotate", "exchange", "exchange", "unsigned"}).Draw(p.t, "what")
	p.done[what]++
	switch what {
	case "record":
		q := p.name("note")
		p.commit(f.with(q, fmt.Sprintf("kind = \"note\"\ndate = %s\nby = \"mw\"\ntitle = \"%d\"\n", q[:10], p.n)))
	case "correct":
		q := p.record(f)
		text := strings.Replace(f[q], "\ndate = ", fmt.Sprintf("\nhours = %d.5\ndate = ", p.n), 1)
		if p.n++; text == f[q] || strings.Contains(f[q], "hours") {
			return
		}
		p.commit(f.correct(w, q, text, fmt.Sprintf("slip %d", p.n)))
	case "line":
		p.n++
		lines := fmt.Sprintf("[[warning]]\ntext = \"hot %d\"\n\n", p.n)
		q := p.record(f)
		text := f[q]
		if i := strings.Index(text, "\n["); i >= 0 {
			text = text[:i+1] + lines + text[i+1:] // in front of what is there
		} else {
			text += lines
		}
		p.commit(f.correct(w, q, text, fmt.Sprintf("left out %d", p.n)))
	case "withdraw":
		q := p.record(f)
		if strings.Contains(f[q], "withdrawn") {
			return
		}
		p.commit(f.correct(w, q, "withdrawn = true\n"+f[q], "of another unit"))
	case "reason": // a correction of a correction
		q := p.record(f)
		p.n++
		p.commit(f.correct(w, q, f[q], fmt.Sprintf("the reason above should read otherwise %d", p.n)))
	case "same": // one that the other bench may make too, word for word
		q := rapid.SampledFrom([]string{intake, done}).Draw(p.t, "record")
		p.commit(f.correct(w, q, f[q], rapid.SampledFrom([]string{"a blot", "a slip", "a typo"}).Draw(p.t, "reason"), func(c *schema.Correction) {
			c.Date, _ = schema.ParseDate("2031-03-07")
		}))
	case "late":
		q, at := p.record(f), "photos/late-"+letters(p.n)+".jpg"
		p.n++
		lines := fmt.Sprintf("[[photo]]\nfile = %q\n\n", at)
		text := f[q]
		if i := strings.Index(text, "\n["); i >= 0 {
			text = text[:i+1] + lines + text[i+1:]
		} else {
			text += lines
		}
		p.commit(f.correct(w, q, text, "left in the camera", func(c *schema.Correction) {
			c.Files = []schema.BroughtFile{{File: at, SHA256: sum(at)}}
		}).with(at, at))
	case "photo":
		q := p.name("note")
		at := "photos/" + q[:len(q)-5] + ".jpg"
		p.commit(f.with(q, fmt.Sprintf("kind = \"note\"\ndate = %s\nby = \"mw\"\n\n[[photo]]\nfile = %q\n", q[:10], at), at, at))
	case "fill":
		if strings.Contains(f["instrument.toml"], "built") {
			return
		}
		p.commit(f.with("instrument.toml", "built = \"1974\"\n"+f["instrument.toml"]))
	case "plate":
		p.n++
		v, err := schema.ReadVersion([]byte(f["instrument.toml"]))
		if err != nil {
			p.t.Fatal(err)
		}
		old := v.Words("serial", "value")[0]
		p.commit(f.correct(w, "instrument.toml", strings.Replace(f["instrument.toml"], fmt.Sprintf("%q", old), fmt.Sprintf("\"%d\"", p.n), 1), fmt.Sprintf("read again %d", p.n)))
	case "model":
		p.n++
		p.commit(f.with("model.toml", f["model.toml"]+fmt.Sprintf("# %d\n", p.n)))
	case "seal":
		if slices.ContainsFunc(w.seals, func(s Seal) bool { return s.Head == w.head }) {
			return
		}
		w.seal(b)
	case "rotate":
		if b.key < 2 {
			b.rotate()
		}
	case "unsigned":
		q := p.name("note")
		p.heads[p.at] = w.commit(nil, f.with(q, fmt.Sprintf("kind = \"note\"\ndate = %s\n", q[:10])))
	case "exchange":
		p.exchange()
	}
}

// exchange brings the other bench's line into this one's, as sync does.
func (p *pair) exchange() {
	w := p.w
	ours, theirs := p.heads[p.at], p.heads[1-p.at]
	k := &checker{in: Input{Objects: w.objects, Head: ours}, out: &Result{}, nodes: map[object.Hash]*node{}}
	if err := k.walk(); err != nil {
		p.t.Fatal(err)
	}
	if k.nodes[theirs] != nil {
		p.heads[1-p.at] = ours
		return
	}
	o := &checker{in: Input{Objects: w.objects, Head: theirs}, out: &Result{}, nodes: map[object.Hash]*node{}}
	if err := o.walk(); err != nil {
		p.t.Fatal(err)
	}
	if o.nodes[ours] != nil {
		p.heads[p.at] = theirs
		return
	}
	a, b := w.folder(ours), w.folder(theirs)
	// What a line had at any time, so that the newer of two texts is found.
	had := func(c *checker) map[string]bool {
		out := map[string]bool{}
		for id := range c.nodes {
			for q, text := range w.folder(id) {
				out[q+"\x00"+text] = true
			}
		}
		return out
	}
	hadA, hadB := had(k), had(o)
	out := a.with()
	for q, text := range b {
		mine, ok := a[q]
		switch {
		case !ok, hadB[q+"\x00"+mine]:
			out[q] = text
		case mine == text, hadA[q+"\x00"+text], q == "model.toml":
		default:
			va, err := schema.ReadVersion([]byte(mine))
			if err != nil {
				p.t.Fatal(err)
			}
			vb, err := schema.ReadVersion([]byte(text))
			if err != nil {
				p.t.Fatal(err)
			}
			list := schema.JoinCorrections(va.Corrections, vb.Corrections)
			p.n++
			list = append(list, schema.Correction{Date: schema.NewDate(w.now), By: "mw", Reason: fmt.Sprintf("changed on two benches %d", p.n), Over: []string{sum(text)}})
			out[q] = string(schema.WithCorrections([]byte(mine), list))
			p.done["apart"]++
		}
	}
	p.heads[p.at] = w.commit(p.bench[p.at], out, ours, theirs)
	p.heads[1-p.at] = p.heads[p.at]
	p.done["merge"]++
}

// below keeps the seals of one line.
func (w *world) below(head object.Hash) *world {
	c := w.copy()
	c.head = head
	k := &checker{in: Input{Objects: w.objects, Head: head}, out: &Result{}, nodes: map[object.Hash]*node{}}
	if err := k.walk(); err != nil {
		panic(err)
	}
	c.seals = slices.DeleteFunc(c.seals, func(s Seal) bool { return k.nodes[s.Head] == nil })
	return c
}

// checks is how many histories TestHonestBenches tries: BENCHLORE_TEST_GROWTH, else
// -rapid.checks, else few enough for every run.
func checks(t *testing.T) {
	t.Helper()
	n := os.Getenv("BENCHLORE_TEST_GROWTH")
	if n == "" {
		given := false
		flag.Visit(func(f *flag.Flag) { given = given || f.Name == "rapid.checks" })
		if given {
			return
		}
		n = "200"
	}
	was := flag.Lookup("rapid.checks").Value.String()
	if err := flag.Set("rapid.checks", n); err != nil {
		t.Fatalf("BENCHLORE_TEST_GROWTH: %v", err)
	}
	t.Cleanup(func() { flag.Set("rapid.checks", was) })
}

// Whatever two honest benches do, nothing is broken; and one byte of any file that
// is changed after it is.
func TestHonestBenches(t *testing.T) {
	checks(t)
	total := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		p := newPair(t)
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			p.act()
		}
		p.turn(0)
		p.exchange()
		w := p.w.below(p.heads[0])
		r, err := Check(Input{Objects: w.objects, Head: w.head, Seals: w.seals, Signatures: true})
		if err != nil {
			t.Fatal(err)
		}
		if r.Worst() > Told {
			t.Fatal(findings(r))
		}
		for what, n := range p.done {
			total[what] += n
		}
		// One byte of any file.
		f := w.at()
		q := rapid.SampledFrom(slices.Sorted(maps.Keys(f))).Draw(t, "file")
		if q == "model.toml" {
			return // the copy of the next close
		}
		text := []byte(f[q])
		i := rapid.IntRange(0, len(text)-1).Draw(t, "byte")
		text[i] ^= byte(rapid.IntRange(1, 127).Draw(t, "bits"))
		w.commit(p.bench[1], f.with(q, string(text)))
		r, err = Check(Input{Objects: w.objects, Head: w.head})
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(r.Findings, func(x Finding) bool {
			return x.Path == q && x.Commit == w.head && (x.Level == Broken || q == "instrument.toml")
		}) {
			t.Fatalf("byte %d of %s: %q\n%s", i, q, text, findings(r))
		}
	})
	for _, what := range []string{"record", "correct", "line", "withdraw", "reason", "same", "late", "photo", "fill", "plate", "model", "seal", "rotate", "merge", "apart", "unsigned"} {
		if total[what] == 0 {
			t.Errorf("no bench ever did: %s", what)
		}
	}
}

// A correction is another shop's where no change of keys links the two.
func TestWhoseCorrection(t *testing.T) {
	for _, c := range []struct {
		name  string
		do    func(w *world, a, b *bench)
		cross bool
		bears string
	}{
		{"B corrects A's release", func(w *world, a, b *bench) {
			w.commit(b, w.at().swap(w, done, "partly", "fully"))
			w.seal(b)
		}, true, "state"},
		{"B corrects A's safety check", func(w *world, a, b *bench) {
			w.commit(b, w.at().swap(w, safety, "0.08", "0.01"))
			w.seal(b)
		}, true, "safety"},
		{"B corrects A's fault", func(w *world, a, b *bench) {
			w.commit(b, w.at().swap(w, intake, "no sound", "a hum"))
			w.seal(b)
		}, true, "fault"},
		{"B corrects A's plate number", func(w *world, a, b *bench) {
			w.commit(b, w.at().swap(w, "instrument.toml", "2204", "2205"))
			w.seal(b)
		}, true, "originality"},
		{"B withdraws A's release", func(w *world, a, b *bench) {
			f := w.at()
			w.commit(b, f.correct(w, done, "withdrawn = true\n"+f[done], "of another unit"))
			w.seal(b)
		}, true, "state"},
		{"B corrects a caption of A's", func(w *world, a, b *bench) {
			w.commit(b, w.at().swap(w, intake, "a crack", "a scratch"))
			w.seal(b)
		}, true, ""},
		{"B corrects its own record", func(w *world, a, b *bench) {
			w.commit(b, w.at().swap(w, picked, "jt", "mw"))
			w.seal(b)
		}, false, ""},
		{"B corrects twice", func(w *world, a, b *bench) {
			w.commit(b, w.at().swap(w, done, "partly", "no"))
			w.seal(b)
			w.commit(b, w.at().swap(w, done, "\"no\"", "\"fully\""))
			w.seal(b)
		}, true, "state"},
		{"B lists A's key as its own", func(w *world, a, b *bench) {
			w.seals[2].Keys = append(w.seals[2].Keys, a.fingerprint())
			w.commit(b, w.at().swap(w, done, "partly", "fully"))
			w.seal(b, func(s *Seal) { s.Keys = append(s.Keys, a.fingerprint()) })
		}, true, "state"},
		{"B corrects without a signature", func(w *world, a, b *bench) {
			w.commit(nil, w.at().swap(w, done, "partly", "fully"))
			w.seal(b)
		}, true, "state"},
		{"A corrects with its next key", func(w *world, a, b *bench) {
			a.rotate()
			w.commit(a, w.at().swap(w, done, "partly", "fully"))
			w.seal(a)
		}, false, "state"},
		{"A's new key was never linked", func(w *world, a, b *bench) {
			a.key++
			w.commit(a, w.at().swap(w, done, "partly", "fully"))
			w.seal(a)
		}, true, "state"},
		{"B leaves A's seals out", func(w *world, a, b *bench) {
			w.commit(b, w.at().swap(w, done, "partly", "fully"))
			w.seals = nil
			w.seal(b)
		}, true, "state"},
		{"B merges its own release over A's", func(w *world, a, b *bench) {
			x := w.head
			side := w.back(w.depth() - 1)
			y := w.commit(b, w.folder(side).with(done, strings.Replace(first()[done], "partly", "fully", 1)), side)
			w.commit(b, w.folder(x).with(done, together(w, y, x)), x, y)
			w.seal(b)
		}, true, "state"},
		{"B merges its own photograph over A's", func(w *world, a, b *bench) {
			x := w.head
			side := w.back(w.depth())
			y := w.commit(b, w.folder(side).with(photo, "a whole lid"), side)
			f := w.folder(x)
			f = f.correct(w, "instrument.toml", f["instrument.toml"], "the better picture", func(c *schema.Correction) {
				c.Over, c.Files = []string{sum(f[photo])}, []schema.BroughtFile{{File: photo, SHA256: sum("a whole lid")}}
			})
			w.commit(b, f.with(photo, "a whole lid"), x, y)
			w.seal(b)
		}, true, "state"},
		{"A's technician, listed by the seal, later gone from the list", func(w *world, a, b *bench) {
			helper := newBench("helper", 9)
			w.commit(helper, w.at().swap(w, done, "partly", "fully"))
			w.seal(a, func(s *Seal) { s.Keys = append(s.Keys, helper.fingerprint()) })
			w.commit(a, w.at().swap(w, intake, "no sound", "a hum"))
			w.seal(a)
		}, false, "fault"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w, a, b := story()
			c.do(w, a, b)
			r := w.check(t)
			if r.Worst() != Told {
				t.Fatal(findings(r))
			}
			last := r.Corrections[len(r.Corrections)-1]
			if last.Cross != c.cross || strings.Join(last.Bears, ",") != c.bears {
				t.Errorf("cross %v, bears on %q; want %v, %q\n%+v", last.Cross, last.Bears, c.cross, c.bears, last)
			}
			if last.Was.IsZero() || last.Is.IsZero() || string(w.objects[last.Is].Data) == string(w.objects[last.Was].Data) {
				t.Error("it does not give both texts")
			}
		})
	}
}

// Histories made to cost much are given up soon.
func TestHostileHistories(t *testing.T) {
	big := func() (*world, []item) {
		w := newWorld()
		f := first()
		blob := w.put(object.TypeBlob, []byte("kind = \"note\"\n"))
		var list []item
		for _, p := range []string{".gitattributes"} {
			list = append(list, item{"100644", p, w.put(object.TypeBlob, []byte(f[p]))})
		}
		for i := range 5000 {
			list = append(list, item{"100644", fmt.Sprintf("2031-03-%02d-note-%s.toml", 1+i/1000, letters(i)), blob})
		}
		list = append(list, item{"100644", "instrument.toml", w.put(object.TypeBlob, []byte(f["instrument.toml"]))})
		slices.SortFunc(list, func(a, b item) int { return strings.Compare(a.name, b.name) })
		return w, list
	}
	for _, c := range []struct {
		name   string
		make   func() *world
		broken bool
	}{
		{"100 commits over 5,000 shared files", func() *world {
			w, list := big()
			for i := range 100 {
				p := item{"100644", fmt.Sprintf("2031-05-01-note-%s.toml", letters(i)), list[1].id}
				at, _ := slices.BinarySearchFunc(list, p, func(a, b item) int { return strings.Compare(a.name, b.name) })
				list = slices.Insert(list, at, p)
				var parents []object.Hash
				if i > 0 {
					parents = []object.Hash{w.head}
				}
				w.commitTree(nil, w.rawTree(list...), parents...)
			}
			return w
		}, false},
		{"folders that hold one another", func() *world {
			w := newWorld()
			f := first()
			tree := w.rawTree(item{"100644", "a.jpg", w.put(object.TypeBlob, []byte("x"))})
			for range 40 {
				var list []item
				for i := range 30 {
					list = append(list, item{"40000", fmt.Sprintf("d%02d", i), tree})
				}
				tree = w.rawTree(list...)
			}
			w.commitTree(nil, w.rawTree(item{"100644", ".gitattributes", w.put(object.TypeBlob, []byte(f[".gitattributes"]))},
				item{"100644", "instrument.toml", w.put(object.TypeBlob, []byte(f["instrument.toml"]))}, item{"40000", "photos", tree}))
			return w
		}, true},
		{"folders that unfold to more than any disk holds", func() *world {
			w := newWorld()
			f := first()
			tree := w.rawTree(item{"100644", "a.jpg", w.put(object.TypeBlob, []byte("x"))})
			for range 4 {
				var list []item
				for i := range 60 {
					list = append(list, item{"40000", fmt.Sprintf("d%02d", i), tree})
				}
				tree = w.rawTree(list...)
			}
			w.commitTree(nil, w.rawTree(item{"100644", ".gitattributes", w.put(object.TypeBlob, []byte(f[".gitattributes"]))},
				item{"100644", "instrument.toml", w.put(object.TypeBlob, []byte(f["instrument.toml"]))}, item{"40000", "photos", tree}))
			return w
		}, true},
		{"merges across merges", func() *world {
			w, _, _ := story()
			x, y := w.head, w.head
			for i := range 300 {
				w.now = w.now.Add(time.Hour)
				a := w.commit(nil, w.folder(x).with(fmt.Sprintf("2031-05-01-note-%s.toml", letters(2*i)), "kind = \"note\"\n"), x)
				b := w.commit(nil, w.folder(y).with(fmt.Sprintf("2031-05-01-note-%s.toml", letters(2*i+1)), "kind = \"note\"\n"), y)
				both := w.folder(a)
				for p, s := range w.folder(b) {
					both[p] = s
				}
				x = w.commit(nil, both, a, b)
				y = w.commit(nil, both, b, a)
			}
			w.head = x
			w.seals = nil
			return w
		}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := c.make()
			r, err := Check(Input{Objects: w.objects, Head: w.head})
			if err != nil {
				t.Fatal(err)
			}
			if (r.Worst() == Broken) != c.broken {
				t.Fatal(findings(r))
			}
			if len(r.Findings) > maxBroken+maxTold+1 {
				t.Errorf("%d findings", len(r.Findings))
			}
		})
	}
}

// Two benches may make the same correction, word for word, and in another order.
func TestSameCorrections(t *testing.T) {
	for _, c := range []struct{ ours, theirs string }{{"w", "cw"}, {"cw", "w"}, {"pw", "qw"}, {"xy", "yx"}, {"xyz", "zyx"}, {"xxp", "xq"}} {
		t.Run(c.ours+" and "+c.theirs, func(t *testing.T) {
			w, a, b := story()
			day := schema.NewDate(w.now)
			p := &pair{w: w, bench: [2]*bench{a, b}, heads: [2]object.Hash{w.head, w.head}, done: map[string]int{}}
			for k, reasons := range []string{c.ours, c.theirs} {
				for _, r := range reasons {
					p.turn(k)
					f := w.at()
					p.commit(f.correct(w, done, f[done], string(r), func(c *schema.Correction) { c.Date = day }))
				}
				p.w.seal(p.bench[k])
			}
			p.turn(0)
			p.exchange()
			if p.done["apart"] != 1 {
				t.Fatal("nothing was apart")
			}
			w.head = p.heads[0]
			if r := w.check(t); r.Worst() > Told {
				t.Error(findings(r))
			}
		})
	}
}
