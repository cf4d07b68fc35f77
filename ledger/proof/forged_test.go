package proof

import (
	"bytes"
	"strings"
	"testing"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// TestShopsForgeTheirOwn lets the people a history binds change it afterwards, with
// their own keys, stock git and all the skill there is. What had been sealed
// cannot be unsaid.
func TestShopsForgeTheirOwn(t *testing.T) {
	owner := newKey(t, "ed25519")
	_, two := sold(t, owner, "the crack in the soundboard is open")
	parts := "2031-03-04-parts-m4dk.toml"
	replaced := func(name, old, new string) func(f *forgery) []byte {
		return func(f *forgery) []byte {
			for _, e := range f.folder() {
				if e.Name == name {
					data := f.objects[e.ID].Data
					if !bytes.Contains(data, []byte(old)) {
						t.Fatalf("%s does not hold %q", name, old)
					}
					return f.with(gitobj.ModeFile, name, strings.Replace(string(data), old, new, 1))
				}
			}
			t.Fatalf("there is no %s", name)
			return nil
		}
	}
	note := func(f *forgery) string {
		for _, e := range f.folder() {
			if strings.HasPrefix(e.Name, "2031-03-14-note-") {
				return e.Name
			}
		}
		t.Fatal("there is no note")
		return ""
	}
	for _, c := range []struct {
		name string
		make func(f *forgery) []byte
	}{
		{"a record taken out", func(f *forgery) []byte { return f.without(note(f)) }},
		{"three records taken out", func(f *forgery) []byte { return f.without(note(f), parts, "2031-03-04-release-k8yw.toml") }},
		{"a record reworded", func(f *forgery) []byte { return replaced(note(f), "is open", "is closed")(f) }},
		{"a release made better", replaced("2031-03-04-release-k8yw.toml", "230 V", "115 V")},
		{"a finding made better", replaced(parts, "failed", "ok")},
		{"a correction that names another fact", replaced(parts, "found = \"failed\"", "found = \"ok\"\n[[correction]]\ndate = 2031-03-20\nby = \"mw\"\nreason = \"a slip\"\nchanged = [\"part[1].how\"]\n")},
		{"another plate", func(f *forgery) []byte {
			for _, e := range f.folder() {
				if e.Name == "instrument.toml" {
					return f.with(gitobj.ModeFile, e.Name, string(instrument(f.objects[e.ID].Data, func(i *schema.Instrument) { i.Maker = "Corvane" })))
				}
			}
			return nil
		}},
		{"an attachment changed", func(f *forgery) []byte {
			h := f.tree([]gitobj.Entry{{Mode: gitobj.ModeFile, Name: "plan.txt", ID: f.put(object.TypeBlob, []byte("another plan"))}})
			e := f.folder()
			for i := range e {
				if e[i].Name == "files" {
					e[i].ID = h
				}
			}
			return f.entries(e)
		}},
		{"an attachment taken out", func(f *forgery) []byte { return f.without("files") }},
		{"a record taken out and brought back changed", func(f *forgery) []byte {
			n := note(f)
			f.without(n)
			return f.with(gitobj.ModeFile, n, "kind = \"note\"\ndate = 2031-03-14\nby = \"mw\"\nnote = \"nothing found\"\n")
		}},
		{"a merge that drops a record", func(f *forgery) []byte {
			old := f.head()
			parent := must(gitobj.ReadCommit(f.objects, old)).Parents[0]
			tree := must(Tree(f.objects, parent))
			f.commit(tree, []object.Hash{parent}, "2031-03-05 note\n")
			f.commit(tree, []object.Hash{old, f.head()}, "merged\n")
			f.reseal(nil)
			return f.pack()
		}},
	} {
		for _, by := range []key{owner, newKey(t, "ed25519")} {
			v := VerifyBytes(c.make(forge(t, two, by)), trusting(by))
			named := false
			for _, f := range v.Flaws {
				named = named || f.Check == "growth" && !f.Warning
			}
			if v.Verdict != Broken || !named {
				t.Errorf("%s: %s\n%s", c.name, v.Verdict, flaws(v))
			}
		}
	}
}

// TestTwoVersions: a shop that seals two versions of one history is found out by
// whoever holds both.
func TestTwoVersions(t *testing.T) {
	owner := newKey(t, "ed25519")
	one, two := sold(t, owner, "the crack is open")
	fork := forge(t, one, owner)
	forked := fork.with(gitobj.ModeFile, "2031-03-14-note-abcd.toml", "kind = \"note\"\ndate = 2031-03-14\nby = \"mw\"\nnote = \"nothing found\"\n")
	verdict(t, VerifyBytes(forked, trusting(owner)), Trusted) // by itself it is one
	replaced := newShop(t, owner)
	replaced.note("another history")
	replaced.seal()
	anew := replaced.packet()
	_, other := sold(t, owner, "another unit")
	seals := forge(t, two, owner).seals()
	digests := func(o *Options, list ...string) { o.Seals = list }
	for _, c := range []struct {
		name   string
		packet []byte
		set    func(o *Options)
		want   string // "": no finding
	}{
		{"goes on from the earlier one", two, func(o *Options) { o.Earlier = [][]byte{one} }, ""},
		{"shortened", one, func(o *Options) { o.Earlier = [][]byte{two} }, "it was shortened"},
		{"forked", forked, func(o *Options) { o.Earlier = [][]byte{two} }, "was forked"},
		{"replaced", anew, func(o *Options) { o.Earlier = [][]byte{two} }, "replaces the other"},
		{"a broken one at hand", two, func(o *Options) { o.Earlier = [][]byte{one[:100]} }, "neither a packet"},
		{"an earlier statement", two, func(o *Options) { o.Earlier = [][]byte{seals[0].Message} }, ""},
		{"a later statement", one, func(o *Options) { o.Earlier = [][]byte{seals[1].Message} }, "not among the seals"},
		{"an earlier digest", two, func(o *Options) { digests(o, seals[0].StatementDigest()) }, ""},
		{"a later digest", one, func(o *Options) { digests(o, seals[1].StatementDigest()[:16]) }, "shortened, forked or replaced"},
		{"a digest that is too short", two, func(o *Options) { digests(o, "1234") }, "at least its first 16"},
		{"an earlier label", two, func(o *Options) { o.Label = seals[0].QR() }, ""},
		{"an earlier label without a seal", two, func(o *Options) { o.Label = seals[0].QR()[:len(seals[0].QR())-16] }, ""},
		{"a later label", one, func(o *Options) { o.Label = seals[1].QR() }, "shortened, forked or replaced"},
		{"the label of a forked history", forked, func(o *Options) { o.Label = seals[1].QR() }, "shortened, forked or replaced"},
		{"the label of a replaced history", anew, func(o *Options) { o.Label = seals[0].QR()[:len(seals[0].QR())-16] }, "shortened, forked or replaced"},
		{"another unit's label", two, func(o *Options) {
			o.Label = strings.Replace(seals[0].QR(), lwUUID, "00000000-0000-4000-8000-000000000000", 1)
		}, "another unit"},
		{"a label that is none", two, func(o *Options) { o.Label = "https://example.org" }, "not what a label"},
		{"a fork of the same unit at hand", two, func(o *Options) { o.Earlier = [][]byte{other} }, "part"},
	} {
		o := trusting(owner)
		c.set(&o)
		v := VerifyBytes(c.packet, o)
		if c.want == "" {
			if verdict(t, v, Trusted); t.Failed() {
				t.Fatal(c.name)
			}
		} else if v.Verdict != Broken || !strings.Contains(flaws(v), "Check:earlier") || !strings.Contains(flaws(v), c.want) {
			t.Errorf("%s: %s, want %q in\n%s", c.name, v.Verdict, c.want, flaws(v))
		}
	}
	// What the reader's own ledger holds.
	knows := func(packet []byte) func(string) []*Seal {
		return func(string) []*Seal { return forge(t, packet, owner).seals() }
	}
	o := trusting(owner)
	o.Known = knows(two)
	v := VerifyBytes(one, o)
	verdict(t, v, Trusted)
	if !strings.Contains(flaws(v), "Check:newer") || !strings.Contains(flaws(v), seals[1].Short()) {
		t.Errorf("a newer seal in the reader's ledger is not told:\n%s", flaws(v))
	}
	if v := VerifyBytes(forked, o); v.Verdict != Broken || !strings.Contains(flaws(v), "Check:forked") ||
		!strings.Contains(flaws(v), seals[1].Digest) || !strings.Contains(flaws(v), fork.seals()[1].Digest) {
		t.Errorf("a fork of what the reader's ledger holds: %s\n%s", v.Verdict, flaws(v))
	}
	o.Known = knows(one)
	v = VerifyBytes(two, o)
	if verdict(t, v, Trusted); v.RemarkCount > 0 {
		t.Errorf("an older seal in the reader's ledger: %s", flaws(v))
	}
}

// TestBenchesSealBesideOneAnother: two benches of a shop seal offline; the next
// seal names both, and the packet is whole again.
func TestBenchesSealBesideOneAnother(t *testing.T) {
	k := newKey(t, "ed25519")
	s := newShop(t, k)
	s.seal()
	start, first := s.head, s.seals
	s.later(2)
	s.note("on one bench")
	a := s.seal()
	aHead := s.head
	files := s.files
	s.head, s.seals = start, first
	gone := s.lastNote()
	text := files[gone]
	delete(files, gone)
	s.later(1)
	s.note("on the other")
	b := s.seal()
	bHead := s.head
	if a.Statement.Number != 2 || b.Statement.Number != 2 {
		t.Fatalf("the numbers are %d and %d", a.Statement.Number, b.Statement.Number)
	}
	// Put together, the one tree has what both have.
	s.seals = Order([]*Seal{first[0], a, b})
	both := append(must(gitobj.ReadTree(s.objects, must(Tree(s.objects, bHead)))), missing(s, aHead, bHead)...)
	s.head = s.commitOf(s.put(object.TypeTree, encodeTree(sorted(both))), []object.Hash{aHead, bHead}, "merged\n")
	merged := s.head
	files[gone] = text
	s.now = s.now.AddDate(0, 0, -10) // and the clock of this one is slow
	c := s.seal()
	if c.Statement.Number != 3 || len(c.Statement.Supersedes) != 2 {
		t.Fatalf("the seal that brings both together is %+v", c.Statement)
	}
	v := VerifyBytes(s.packet(), trusting(k))
	verdict(t, v, Trusted)
	if !strings.Contains(flaws(v), "Check:clock") {
		t.Errorf("dates that run backwards are not told:\n%s", flaws(v))
	}
	// Twice in one second works too.
	s.note("right after")
	s.seal()
	verdict(t, VerifyBytes(s.packet(), trusting(k)), Trusted)
	// Without the seal that names both, they are two versions.
	s.head, s.seals = merged, Order([]*Seal{first[0], a, b})
	st := s.statement()
	st.Supersedes = []string{a.Digest}
	st.Objects, st.ObjectsSHA256 = must3(SealedObjects(s.objects, s.head, []object.Hash{a.head}))
	s.sealAs(st)
	if v := VerifyBytes(s.packet(), trusting(k)); v.Verdict != Broken || !strings.Contains(flaws(v), "Check:forked") || !strings.Contains(flaws(v), b.Digest) {
		t.Errorf("a seal that leaves one out: %s\n%s", v.Verdict, flaws(v))
	}
}
