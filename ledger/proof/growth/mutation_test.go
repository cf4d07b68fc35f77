package growth

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

func found(r *Result, level Level, rule Rule, p string) bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool {
		return f.Level == level && f.Rule == rule && (p == "" || f.Path == p)
	})
}

func findings(r *Result) string {
	var out []string
	for _, f := range r.Findings {
		out = append(out, fmt.Sprintf("%s %s %s", f.Level, f.Rule, f))
	}
	return strings.Join(out, "\n")
}

func TestStoryHolds(t *testing.T) {
	w, a, b := story()
	r := w.check(t)
	if len(r.Findings) > 0 {
		t.Fatal(findings(r))
	}
	if r.UUID != id || len(r.Commits) != 8 || len(r.Roots) != 1 {
		t.Errorf("%+v", r)
	}
	if len(r.Corrections) != 1 || r.Corrections[0].Cross || r.Corrections[0].By != a.fingerprint() || !slices.Equal(r.Corrections[0].Bears, []string{"originality"}) {
		t.Errorf("%+v", r.Corrections)
	}
	if r.Shop(w.head) != b.fingerprint() || r.Shop(r.Commits[0]) != a.fingerprint() {
		t.Error("commits belong to the wrong shop")
	}
}

// on has somebody write a folder onto the tip and seal it.
func on(f func(w *world, now folder) folder) func(w *world, a, b *bench) {
	return func(w *world, _, b *bench) {
		w.commit(b, f(w, w.at()))
		w.seal(b)
	}
}

// side is a line from an earlier commit, n back from the tip.
func (w *world) back(n int) object.Hash {
	h := w.head
	for range n {
		c, err := gitobj.ReadCommit(w.objects, h)
		if err != nil {
			panic(err)
		}
		h = c.Parents[0]
	}
	return h
}

// mode gives a file of the tip another mode.
func mode(mode, name string) func(w *world, a, b *bench) {
	return func(w *world, a, b *bench) {
		c, err := gitobj.ReadCommit(w.objects, w.head)
		if err != nil {
			panic(err)
		}
		list, err := gitobj.ReadTree(w.objects, c.Tree)
		if err != nil {
			panic(err)
		}
		var out []item
		for _, e := range list {
			if e.Name == name {
				e.Mode = mode
			}
			out = append(out, item{e.Mode, e.Name, e.ID})
		}
		w.commitTree(b, w.rawTree(out...), w.head)
		w.seal(b)
	}
}

// order writes the tip's tree with entries in another order or twice.
func order2(change func([]item) []item) func(w *world, a, b *bench) {
	return func(w *world, a, b *bench) {
		c, _ := gitobj.ReadCommit(w.objects, w.head)
		list, _ := gitobj.ReadTree(w.objects, c.Tree)
		var out []item
		for _, e := range list {
			out = append(out, item{e.Mode, e.Name, e.ID})
		}
		w.commitTree(b, w.rawTree(change(out)...), w.head)
		w.seal(b)
	}
}

const late = "\n[[photo]]\nfile = \"photos/label.jpg\"\n"

type mutation struct {
	name string
	do   func(w *world, a, b *bench)
	rule Rule
	path string
	// level is Broken where it is not said.
	told   bool
	forked bool
}

var mutations = []mutation{
	// What stood there is gone or another.
	{name: "a record deleted", do: on(func(w *world, f folder) folder { return f.without(parts) }), rule: RuleGone, path: parts},
	{name: "three records deleted", do: on(func(w *world, f folder) folder { return f.without(parts, safety, intake) }), rule: RuleGone, path: safety},
	{name: "a photograph deleted", do: on(func(w *world, f folder) folder { return f.without(photo) }), rule: RuleGone, path: photo},
	{name: "model.toml deleted", do: on(func(w *world, f folder) folder { return f.without("model.toml") }), rule: RuleGone, path: "model.toml"},
	{name: "instrument.toml deleted", do: on(func(w *world, f folder) folder { return f.without("instrument.toml") }), rule: RuleGone, path: "instrument.toml"},
	{name: ".gitattributes deleted", do: on(func(w *world, f folder) folder { return f.without(".gitattributes") }), rule: RuleGone, path: ".gitattributes"},
	{name: "a record deleted and put back", do: func(w *world, a, b *bench) {
		f := w.at()
		w.commit(b, f.without(parts))
		w.commit(b, f)
		w.seal(b)
	}, rule: RuleGone, path: parts},
	{name: "a record renamed", do: on(func(w *world, f folder) folder {
		return f.without(parts).with("2031-03-02-parts-zzzz.toml", f[parts])
	}), rule: RuleGone, path: parts},
	{name: "a record moved to another day", do: on(func(w *world, f folder) folder {
		return f.without(parts).with("2031-03-05-parts-m4dk.toml", f[parts])
	}), rule: RuleGone, path: parts},
	{name: "a record turned into a folder", do: on(func(w *world, f folder) folder {
		return f.without(parts).with(parts+"/x", f[parts])
	}), rule: RuleGone, path: parts},
	{name: "a release from partly to fully", do: on(func(w *world, f folder) folder { return f.edit(done, "partly", "fully") }), rule: RuleNoReason, path: done},
	{name: "a value changed", do: on(func(w *world, f folder) folder { return f.edit(safety, "0.08", "0.01") }), rule: RuleNoReason, path: safety},
	{name: "a line added", do: on(func(w *world, f folder) folder { return f.with(parts, f[parts]+"\n[[part]]\nref = \"C9\"\n") }), rule: RuleNoReason, path: parts},
	{name: "a line taken out", do: on(func(w *world, f folder) folder {
		return f.edit(parts, "[[part]]\nref = \"C1\"\nfound = \"failed\"\n", "")
	}), rule: RuleNoReason, path: parts},
	{name: "a comment added", do: on(func(w *world, f folder) folder { return f.with(done, "# seen\n"+f[done]) }), rule: RuleNoReason, path: done},
	{name: "a blank at the end", do: on(func(w *world, f folder) folder { return f.with(done, f[done]+"\n") }), rule: RuleNoReason, path: done},
	{name: "one byte of a word", do: on(func(w *world, f folder) folder { return f.edit(intake, "crack", "track") }), rule: RuleNoReason, path: intake},
	{name: "line ends of another system", do: on(func(w *world, f folder) folder { return f.with(done, strings.ReplaceAll(f[done], "\n", "\r\n")) }), rule: RuleNoReason, path: done},
	{name: "a record emptied", do: on(func(w *world, f folder) folder { return f.with(done, "") }), rule: RuleNoReason, path: done},
	{name: "a record made unreadable", do: on(func(w *world, f folder) folder { return f.with(done, "kind = \"rel") }), rule: RuleFacts, path: done},
	{name: "withdrawn without a word", do: on(func(w *world, f folder) folder { return f.with(done, "withdrawn = true\n"+f[done]) }), rule: RuleNoReason, path: done},
	{name: "a correction undone by the old text", do: on(func(w *world, f folder) folder { return f.with(parts, first()[parts]) }), rule: RuleCorrections, path: parts},
	{name: "an earlier commit's folder put back", do: func(w *world, a, b *bench) {
		w.commit(b, w.folder(w.back(2)))
		w.seal(b)
	}, rule: RuleCorrections, path: parts},
	// Corrections that do not fit.
	{name: "a correction that names nothing", do: on(func(w *world, f folder) folder {
		return f.swap(w, done, "partly", "fully", func(c *schema.Correction) { c.Changed = nil })
	}), rule: RuleFacts, path: done},
	{name: "a correction that names another fact", do: on(func(w *world, f folder) folder {
		return f.swap(w, done, "partly", "fully", func(c *schema.Correction) { c.Changed = []string{"by"} })
	}), rule: RuleFacts, path: done},
	{name: "a correction that names a fact too many", do: on(func(w *world, f folder) folder {
		return f.swap(w, done, "partly", "fully", func(c *schema.Correction) { c.Changed = append(c.Changed, "date") })
	}), rule: RuleFacts, path: done},
	{name: "a correction that names the whole list", do: on(func(w *world, f folder) folder {
		return f.swap(w, parts, "failed", "ok", func(c *schema.Correction) { c.Changed = []string{"part"} })
	}), rule: RuleFacts, path: parts},
	{name: "a correction with a second change under it", do: on(func(w *world, f folder) folder {
		return f.swap(w, intake, "\"no\"", "\"partly\"").edit(intake, "no sound", "a hum")
	}), rule: RuleFacts, path: intake},
	{name: "a line counted from 0", do: on(func(w *world, f folder) folder {
		return f.swap(w, parts, "failed", "ok", func(c *schema.Correction) { c.Changed = []string{"part[0].found"} })
	}), rule: RuleFacts, path: parts},
	{name: "a correction copied onto another change", do: on(func(w *world, f folder) folder {
		c := f.swap(w, done, "partly", "fully")[done]
		return f.with(safety, f.edit(safety, "0.08", "0.01")[safety]+c[strings.Index(c, "\n[[correction]]"):])
	}), rule: RuleFacts, path: safety},
	{name: "a correction without a reason", do: on(func(w *world, f folder) folder {
		return f.swap(w, done, "partly", "fully", func(c *schema.Correction) { c.Reason = " " })
	}), rule: RuleCorrections, path: done},
	{name: "a correction by nobody", do: on(func(w *world, f folder) folder {
		return f.swap(w, done, "partly", "fully", func(c *schema.Correction) { c.By = "" })
	}), rule: RuleCorrections, path: done},
	{name: "a correction without a day", do: on(func(w *world, f folder) folder {
		return f.swap(w, done, "partly", "fully", func(c *schema.Correction) { c.Date = schema.Date{} })
	}), rule: RuleCorrections, path: done},
	{name: "two corrections at once", do: on(func(w *world, f folder) folder {
		return f.swap(w, done, "partly", "fully").swap(w, done, "mw", "jt")
	}), rule: RuleCorrections, path: done},
	{name: "an earlier correction's reason changed", do: on(func(w *world, f folder) folder {
		return f.swap(w, parts, "failed", "ok").edit(parts, "a slip of the pen", "as the customer wished")
	}), rule: RuleCorrections, path: parts},
	{name: "an earlier correction's day changed", do: on(func(w *world, f folder) folder {
		return f.edit(parts, "date = 2031-03-04\nby = \"mw\"\nreason", "date = 2031-03-05\nby = \"mw\"\nreason")
	}), rule: RuleCorrections, path: parts},
	{name: "an earlier correction's facts changed", do: on(func(w *world, f folder) folder {
		return f.edit(parts, "part[2].new.value", "part[1].new.value")
	}), rule: RuleCorrections, path: parts},
	{name: "an earlier correction taken out", do: on(func(w *world, f folder) folder {
		return f.with(parts, f[parts][:strings.Index(f[parts], "\n[[correction]]")])
	}), rule: RuleCorrections, path: parts},
	{name: "a new correction put before an earlier one", do: on(func(w *world, f folder) folder {
		c := f.swap(w, parts, "failed", "ok")[parts]
		i, j := strings.Index(c, "\n[[correction]]"), strings.LastIndex(c, "\n[[correction]]")
		return f.with(parts, c[:i]+c[j:]+c[i:j])
	}), rule: RuleCorrections, path: parts},
	{name: "a correction of the record's kind", do: on(func(w *world, f folder) folder { return f.swap(w, done, "release", "note") }), rule: RuleIdentity, path: done},
	{name: "a correction with a key nobody knows", do: on(func(w *world, f folder) folder {
		return f.with(done, f.swap(w, done, "partly", "fully")[done]+"approved = true\n")
	}), rule: RuleFacts, path: done},
	{name: "a correction that stands against a version nobody brought", do: on(func(w *world, f folder) folder {
		return f.swap(w, done, "partly", "fully", func(c *schema.Correction) { c.Over = []string{sum("x")} })
	}), rule: RuleMerge, path: done},
	// Attachments.
	{name: "a photograph replaced", do: on(func(w *world, f folder) folder { return f.with(photo, "a whole lid") }), rule: RuleAttachment, path: photo},
	{name: "a photograph replaced under a correction of its record", do: on(func(w *world, f folder) folder {
		return f.swap(w, intake, "a crack", "a scratch").with(photo, "a whole lid")
	}), rule: RuleAttachment, path: photo},
	{name: "a photograph under a name an old record uses", do: func(w *world, a, b *bench) {
		w.commit(b, w.at().swap(w, intake, "photos/crack.jpg", "photos/label.jpg"))
		w.commit(b, w.at().with("photos/label.jpg", "a label"))
		w.seal(b)
	}, rule: RuleAttachment, path: "photos/label.jpg"},
	{name: "the same in other letters", do: func(w *world, a, b *bench) {
		w.commit(b, w.at().swap(w, intake, "photos/crack.jpg", "photos/Label.jpg"))
		w.commit(b, w.at().with("photos/label.jpg", "a label"))
		w.seal(b)
	}, rule: RuleAttachment, path: "photos/label.jpg"},
	{name: "a late photograph without its digest", do: on(func(w *world, f folder) folder {
		return f.correct(w, intake, f[intake]+late, "left in the camera").with("photos/label.jpg", "a label")
	}), rule: RuleAttachment, path: "photos/label.jpg"},
	{name: "a late photograph with another digest", do: on(func(w *world, f folder) folder {
		return f.correct(w, intake, f[intake]+late, "left in the camera", func(c *schema.Correction) {
			c.Files = []schema.BroughtFile{{File: "photos/label.jpg", SHA256: sum("another")}}
		}).with("photos/label.jpg", "a label")
	}), rule: RuleAttachment, path: "photos/label.jpg"},
	{name: "a late photograph that did not come", do: on(func(w *world, f folder) folder {
		return f.correct(w, intake, f[intake]+late, "left in the camera", func(c *schema.Correction) {
			c.Files = []schema.BroughtFile{{File: "photos/label.jpg", SHA256: sum("a label")}}
		})
	}), rule: RuleAttachment, path: "photos/label.jpg"},
	{name: "a photograph no record names", do: on(func(w *world, f folder) folder { return f.with("photos/other.jpg", "x") }), rule: RuleUnnamed, path: "photos/other.jpg", told: true},
	// What the unit is.
	{name: "another identity", do: on(func(w *world, f folder) folder { return f.edit("instrument.toml", "6f0c", "7f0c") }), rule: RuleIdentity, path: "instrument.toml"},
	{name: "another identity, with a correction", do: on(func(w *world, f folder) folder { return f.swap(w, "instrument.toml", "6f0c", "7f0c") }), rule: RuleIdentity, path: "instrument.toml"},
	{name: "no identity", do: on(func(w *world, f folder) folder { return f.edit("instrument.toml", "uuid", "guid") }), rule: RuleIdentity, path: "instrument.toml"},
	{name: "another plate number", do: on(func(w *world, f folder) folder { return f.edit("instrument.toml", "2204", "2205") }), rule: RuleNoReason, path: "instrument.toml"},
	{name: "a second plate number", do: on(func(w *world, f folder) folder {
		return f.with("instrument.toml", f["instrument.toml"]+"\n[[serial]]\nplace = \"Plate\"\nvalue = \"9\"\nhow = \"read\"\n")
	}), rule: RuleNoReason, path: "instrument.toml"},
	{name: "another maker", do: on(func(w *world, f folder) folder { return f.edit("instrument.toml", "Corvane", "Tessaly") }), rule: RuleNoReason, path: "instrument.toml"},
	{name: "a plate number taken out", do: on(func(w *world, f folder) folder { return f.edit("instrument.toml", "value = \"2204\"\n", "") }), rule: RuleNoReason, path: "instrument.toml"},
	{name: "a plate number corrected, the maker beside it", do: on(func(w *world, f folder) folder {
		return f.swap(w, "instrument.toml", "2204", "2205").edit("instrument.toml", "Corvane", "Tessaly")
	}), rule: RuleFacts, path: "instrument.toml"},
	{name: "a format that goes down", do: on(func(w *world, f folder) folder { return f.edit("instrument.toml", "format = 1", "format = 0") }), rule: RuleFormat, path: "instrument.toml"},
	{name: "a format taken out under a correction", do: on(func(w *world, f folder) folder { return f.swap(w, "instrument.toml", "format = 1\n", "") }), rule: RuleFormat, path: "instrument.toml"},
	{name: "instrument.toml made unreadable", do: on(func(w *world, f folder) folder { return f.with("instrument.toml", "uuid = ") }), rule: RuleIdentity, path: "instrument.toml"},
	{name: "a blank filled in", do: on(func(w *world, f folder) folder {
		return f.with("instrument.toml", "built = \"1974\"\n"+f["instrument.toml"])
	}), rule: RuleFilled, path: "instrument.toml", told: true},
	{name: "a model changed beside a record", do: on(func(w *world, f folder) folder {
		return f.with("model.toml", "name = \"wider\"\n", "2031-03-07-note-aaaa.toml", "kind = \"note\"\ndate = 2031-03-07\n")
	}), rule: RuleModel, path: "model.toml"},
	{name: "a model made unreadable", do: on(func(w *world, f folder) folder { return f.with("model.toml", "name = ") }), rule: RuleModel, path: "model.toml"},
	{name: "a model changed alone", do: on(func(w *world, f folder) folder { return f.with("model.toml", "name = \"wider\"\n") }), rule: RuleModelCopy, path: "model.toml", told: true},
	{name: ".gitattributes changed", do: on(func(w *world, f folder) folder { return f.with(".gitattributes", "* text=auto\n") }), rule: RuleAttributes, path: ".gitattributes"},
	// Names and modes.
	{name: "a record as a link", do: mode("120000", done), rule: RuleMode, path: done},
	{name: "a record marked executable", do: mode("100755", done), rule: RuleMode, path: done},
	{name: "a record that the group may write", do: mode("100664", done), rule: RuleMode, path: done},
	{name: "the photographs as another repository", do: mode("160000", "photos"), rule: RuleMode, path: "photos"},
	{name: "the photographs as a link", do: mode("120000", "photos"), rule: RuleMode, path: "photos"},
	{name: "a name in other letters", do: on(func(w *world, f folder) folder { return f.with("photos/Crack.jpg", "whole") }), rule: RulePath, path: "photos/Crack.jpg"},
	{name: "a record in capitals", do: on(func(w *world, f folder) folder { return f.with("2031-03-04-RELEASE-y7mk.toml", f[done]) }), rule: RulePath},
	{name: "a Cyrillic letter in a name", do: on(func(w *world, f folder) folder { return f.with("2031-03-04-releаse-y7mk.toml", f[done]) }), rule: RulePath},
	{name: "a hidden character in a name", do: on(func(w *world, f folder) folder { return f.with("photos/crack\u200b.jpg", "x") }), rule: RulePath},
	{name: "a full-width letter in a name", do: on(func(w *world, f folder) folder { return f.with("photos/ｃrack.jpg", "x") }), rule: RulePath},
	{name: "a file that does not belong there", do: on(func(w *world, f folder) folder { return f.with("README.md", "x") }), rule: RulePath, path: "README.md"},
	{name: "a folder that does not belong there", do: on(func(w *world, f folder) folder { return f.with("books/x", "x") }), rule: RulePath, path: "books"},
	{name: "a .gitmodules", do: on(func(w *world, f folder) folder { return f.with(".gitmodules", "x") }), rule: RulePath, path: ".gitmodules"},
	{name: "a name Windows keeps", do: on(func(w *world, f folder) folder { return f.with("files/con.txt", "x") }), rule: RulePath, path: "files/con.txt"},
	{name: "a record of a kind nobody knows", do: on(func(w *world, f folder) folder { return f.with("2031-03-07-secret-aaaa.toml", "x") }), rule: RulePath},
	{name: "a record in a folder", do: on(func(w *world, f folder) folder { return f.with("records/"+done, f[done]) }), rule: RulePath, path: "records"},
	{name: "folders without end", do: on(func(w *world, f folder) folder { return f.with("photos/a/b/c/d/e/f/g.jpg", "x") }), rule: RulePath},
	{name: "a folder out of order", do: order2(func(l []item) []item { slices.Reverse(l); return l }), rule: RulePath},
	{name: "a file twice", do: order2(func(l []item) []item { return slices.Insert(l, 2, l[2]) }), rule: RulePath},
	{name: "a folder cut short", do: func(w *world, a, b *bench) {
		w.commitTree(b, w.put(object.TypeTree, []byte("100644 x\x00abc")), w.head)
		w.seal(b)
	}, rule: RuleObject},
	// Merges.
	{name: "a merge that drops one side", do: func(w *world, a, b *bench) {
		tip, side := w.head, w.back(2)
		w.commit(b, w.folder(side).with("2031-03-07-note-aaaa.toml", "kind = \"note\"\ndate = 2031-03-07\n"), side)
		w.commit(b, w.at(), tip, w.head)
		w.seal(b)
	}, rule: RuleGone, path: picked},
	{name: "a merge that takes the old text", do: func(w *world, a, b *bench) {
		tip, side := w.head, w.back(2)
		w.commit(b, w.folder(side).with("2031-03-07-note-aaaa.toml", "kind = \"note\"\ndate = 2031-03-07\n"), side)
		now := w.folder(tip).with("2031-03-07-note-aaaa.toml", "kind = \"note\"\ndate = 2031-03-07\n", parts, first()[parts])
		w.commit(b, now, tip, w.head)
		w.seal(b)
	}, rule: RuleMerge, path: parts},
	{name: "the same by four parents", do: func(w *world, a, b *bench) {
		tip, side := w.head, w.back(2)
		var heads []object.Hash
		now := w.folder(tip)
		for _, x := range []string{"aaaa", "bbbb", "cccc"} {
			p := "2031-03-07-note-" + x + ".toml"
			heads = append(heads, w.commit(b, w.folder(side).with(p, "kind = \"note\"\n"), side))
			now = now.with(p, "kind = \"note\"\n")
		}
		w.commit(b, now.with(parts, first()[parts]), append(heads, tip)...)
		w.seal(b)
	}, rule: RuleMerge, path: parts},
	{name: "a side line with a record of the same name", do: func(w *world, a, b *bench) {
		tip, side := w.head, w.back(w.depth()-1)
		forged := strings.Replace(first()[done], "partly", "fully", 1)
		w.commit(b, w.folder(side).with(done, forged), side)
		w.commit(b, w.folder(tip).with(done, forged), tip, w.head)
		w.seal(b)
	}, rule: RuleMerge, path: done},
	{name: "a second beginning with a record of the same name", do: func(w *world, a, b *bench) {
		tip := w.head
		f := first().edit(done, "partly", "fully").without(parts)
		w.head = object.Hash{}
		w.commit(b, f)
		w.commit(b, w.folder(tip).with(done, f[done]), tip, w.head)
		w.seal(b, func(s *Seal) { s.Root = w.back(w.depth()) })
	}, rule: RuleMerge, path: done},
	{name: "a second beginning of another unit", do: func(w *world, a, b *bench) {
		tip := w.head
		w.head = object.Hash{}
		w.commit(b, first().edit("instrument.toml", "6f0c", "7f0c"))
		w.commit(b, w.folder(tip), tip, w.head)
		w.seal(b, func(s *Seal) { s.Root = w.back(w.depth()) })
	}, rule: RuleIdentity},
	{name: "a record the merge itself brought", do: func(w *world, a, b *bench) {
		tip := w.head
		side := w.commit(b, w.at().with("2031-03-07-note-aaaa.toml", "kind = \"note\"\n"), tip)
		other := w.commit(b, w.folder(tip).with("2031-03-07-note-bbbb.toml", "kind = \"note\"\n"), tip)
		w.commit(b, w.folder(side).with("2031-03-07-note-bbbb.toml", "kind = \"note\"\n", "2031-03-01-note-cccc.toml", "kind = \"note\"\n"), side, other)
		w.seal(b)
	}, rule: RuleMerge, path: "2031-03-01-note-cccc.toml"},
	{name: "a merge that changes a record", do: func(w *world, a, b *bench) {
		tip := w.head
		side := w.commit(b, w.at().with("2031-03-07-note-aaaa.toml", "kind = \"note\"\n"), tip)
		other := w.commit(b, w.folder(tip).with("2031-03-07-note-bbbb.toml", "kind = \"note\"\n"), tip)
		w.commit(b, w.folder(side).with("2031-03-07-note-bbbb.toml", "kind = \"note\"\n").edit(done, "partly", "fully"), side, other)
		w.seal(b)
	}, rule: RuleMerge, path: done},
	{name: "two corrections merged to one of them", do: func(w *world, a, b *bench) {
		x, y := apart(w, a, b)
		w.commit(b, w.folder(x), x, y)
		w.seal(b)
	}, rule: RuleMerge, path: done},
	{name: "two corrections merged without saying over what", do: func(w *world, a, b *bench) {
		x, y := apart(w, a, b)
		w.commit(b, w.folder(x).with(done, together(w, x, y, func(c *schema.Correction) { c.Over = nil })), x, y)
		w.seal(b)
	}, rule: RuleMerge, path: done},
	{name: "two corrections merged to a third text", do: func(w *world, a, b *bench) {
		x, y := apart(w, a, b)
		w.commit(b, w.folder(x).with(done, strings.Replace(together(w, x, y), "2031-03-04", "2031-03-03", 1)), x, y)
		w.seal(b)
	}, rule: RuleMerge, path: done},
	{name: "two corrections merged, one lost", do: func(w *world, a, b *bench) {
		x, y := apart(w, a, b)
		w.commit(b, w.folder(x).with(done, together(w, x, x, func(c *schema.Correction) { c.Over = []string{sum(w.folder(y)[done])} })), x, y)
		w.seal(b)
	}, rule: RuleMerge, path: done},
	{name: "two corrections merged, one twice", do: func(w *world, a, b *bench) {
		x, y := apart(w, a, b)
		text := together(w, x, y)
		v, _ := schema.ReadVersion([]byte(text))
		list := slices.Insert(slices.Clone(v.Corrections), 1, v.Corrections[0])
		w.commit(b, w.folder(x).with(done, string(schema.WithCorrections([]byte(text), list))), x, y)
		w.seal(b)
	}, rule: RuleMerge, path: done},
	{name: "two corrections merged over a version nobody had", do: func(w *world, a, b *bench) {
		x, y := apart(w, a, b)
		w.commit(b, w.folder(x).with(done, together(w, x, y, func(c *schema.Correction) { c.Over = append(c.Over, sum("z")) })), x, y)
		w.seal(b)
	}, rule: RuleMerge, path: done},
	{name: "two photographs of one name, one picked", do: func(w *world, a, b *bench) {
		tip := w.head
		x := w.commit(b, w.at().with("photos/lid.jpg", "one"), tip)
		y := w.commit(b, w.folder(tip).with("photos/lid.jpg", "two"), tip)
		w.commit(b, w.folder(x), x, y)
		w.seal(b)
	}, rule: RuleAttachment, path: "photos/lid.jpg"},
	{name: "a photograph swapped by a side line", do: func(w *world, a, b *bench) {
		tip, side := w.head, w.back(w.depth())
		w.commit(b, w.folder(side).with(photo, "whole"), side)
		w.commit(b, w.folder(tip).with(photo, "whole"), tip, w.head)
		w.seal(b)
	}, rule: RuleAttachment, path: photo},
	{name: "a merge that writes a model", do: func(w *world, a, b *bench) {
		tip := w.head
		x := w.commit(b, w.at().with("photos/x.jpg", "one"), tip)
		y := w.commit(b, w.folder(tip).with("photos/y.jpg", "two"), tip)
		w.commit(b, w.folder(x).with("photos/y.jpg", "two", "model.toml", "name = \"wider\"\n"), x, y)
		w.seal(b)
	}, rule: RuleModel, path: "model.toml"},
	// Commits.
	{name: "a parent that is missing", do: func(w *world, a, b *bench) {
		w.commit(b, w.at(), object.Sum(object.TypeBlob, []byte("x")))
		w.seals = nil
	}, rule: RuleObject},
	{name: "a parent that is no commit", do: func(w *world, a, b *bench) {
		w.commit(b, w.at(), w.put(object.TypeBlob, []byte("x")))
		w.seals = nil
	}, rule: RuleObject},
	{name: "a file that is missing", do: func(w *world, a, b *bench) {
		w.commit(b, w.at().swap(w, done, "partly", "fully"))
		delete(w.objects, object.Sum(object.TypeBlob, []byte(w.at()[done])))
		w.seals = nil
	}, rule: RuleObject},
	{name: "a commit with a header of its own", do: func(w *world, a, b *bench) {
		raw := string(w.objects[w.head].Data)
		w.head = w.put(object.TypeCommit, []byte(strings.Replace(raw, "gpgsig", "mergetag x\ngpgsig", 1)))
		w.seals = nil
	}, rule: RuleObject},
	{name: "a forged author under a good signature", do: func(w *world, a, b *bench) {
		raw := string(w.objects[w.head].Data)
		w.head = w.put(object.TypeCommit, []byte(strings.Replace(raw, "author B", "author A", 1)))
		w.seal(b)
		w.seals = w.seals[3:]
	}, rule: RuleSignature},
	{name: "commits nobody signed", do: func(w *world, a, b *bench) {
		w.commit(nil, w.at().with("2031-03-07-note-aaaa.toml", "kind = \"note\"\n"))
		w.seal(b)
	}, rule: RuleUnsigned, told: true},
	{name: "a key the seal does not list", do: func(w *world, a, b *bench) {
		w.commit(newBench("C", 3), w.at().with("2031-03-07-note-aaaa.toml", "kind = \"note\"\n"))
		w.seal(b)
	}, rule: RuleKey, told: true},
	{name: "a commit dated back", do: func(w *world, a, b *bench) {
		w.now = w.now.AddDate(0, 0, -9)
		w.commit(b, w.at().with("2031-03-07-note-aaaa.toml", "kind = \"note\"\n"))
		w.now = w.now.AddDate(0, 0, 10)
		w.seal(b)
	}, rule: RuleDate, told: true},
	{name: "a commit of days to come", do: func(w *world, a, b *bench) {
		w.now = w.now.AddDate(0, 0, 90)
		w.commit(b, w.at().with("2031-03-07-note-aaaa.toml", "kind = \"note\"\n"))
		w.seal(b)
		w.now = w.now.AddDate(0, 0, -90)
	}, rule: RuleDate, told: true},
	{name: "a record dated before the seals", do: on(func(w *world, f folder) folder {
		return f.with("2030-01-01-note-aaaa.toml", "kind = \"note\"\ndate = 2030-01-01\n")
	}), rule: RuleLate, path: "2030-01-01-note-aaaa.toml", told: true},
	{name: "a record dated after its seal", do: on(func(w *world, f folder) folder {
		return f.with("2031-12-01-note-aaaa.toml", "kind = \"note\"\ndate = 2031-12-01\n")
	}), rule: RuleDate, path: "2031-12-01-note-aaaa.toml", told: true},
	// Seals.
	{name: "a tip above the last seal", do: func(w *world, a, b *bench) {
		w.commit(b, w.at().with("2031-03-07-note-aaaa.toml", "kind = \"note\"\n"))
	}, rule: RuleUnsealed, told: true},
	{name: "a seal on a commit elsewhere", do: func(w *world, a, b *bench) {
		tip := w.head
		w.commit(b, w.at().with("2031-03-07-note-aaaa.toml", "kind = \"note\"\n"))
		w.seal(b)
		w.head = tip
	}, rule: RuleSeal},
	{name: "one shop's seals on two lines", do: func(w *world, a, b *bench) {
		tip := w.back(1)
		w.head = tip
		w.seals, w.now = w.seals[:2], w.now.Add(time.Hour)
		x := w.commit(a, w.folder(tip).with("2031-03-07-note-aaaa.toml", "kind = \"note\"\n"), tip)
		w.seal(a)
		w.commit(a, w.folder(tip).with("2031-03-07-note-bbbb.toml", "kind = \"note\"\n"), tip)
		w.seal(a)
		w.head = x
	}, rule: RuleForked, forked: true},
	{name: "the first seals left out", do: func(w *world, a, b *bench) { w.seals = w.seals[2:] }, rule: RuleSeal},
	{name: "the middle seal left out", do: func(w *world, a, b *bench) { w.seals = slices.Delete(w.seals, 1, 2) }, rule: RuleSeal},
	{name: "a number left out", do: func(w *world, a, b *bench) { w.seals[2].Number = 4 }, rule: RuleSeal},
	{name: "a number twice", do: func(w *world, a, b *bench) { w.seals[2].Number = 2 }, rule: RuleSeal},
	{name: "another beginning", do: func(w *world, a, b *bench) { w.seals[2].Root = w.back(3) }, rule: RuleSeal},
	{name: "a seal of another unit", do: func(w *world, a, b *bench) { w.seals[2].UUID = "x" }, rule: RuleSeal},
	{name: "a seal whose signature does not hold", do: func(w *world, a, b *bench) { w.seals[2].Key = "" }, rule: RuleSignature},
	{name: "a seal that comes after a later one", do: func(w *world, a, b *bench) { w.seals[0].Supersedes = []string{w.seals[1].Digest} }, rule: RuleSeal},
	{name: "a seal after itself", do: func(w *world, a, b *bench) { w.seals[2].Supersedes = []string{w.seals[2].Digest} }, rule: RuleSeal},
	{name: "a rewritten history under the old seals", do: func(w *world, a, b *bench) {
		w.head = object.Hash{}
		w.commit(a, first())
	}, rule: RuleSeal},
	{name: "a seal dated before the one before it", do: func(w *world, a, b *bench) { w.seals[2].Sealed = w.seals[0].Sealed.Add(-time.Hour) }, rule: RuleDate, told: true},
	{name: "seals made beside one another", do: func(w *world, a, b *bench) {
		x := w.commit(b, w.at().with("2031-03-07-note-aaaa.toml", "kind = \"note\"\n"))
		tip := w.back(1)
		w.seal(b)
		y := w.commit(a, w.folder(tip).with("2031-03-07-note-bbbb.toml", "kind = \"note\"\n"), tip)
		w.seal(a)
		w.commit(b, w.folder(x).with("2031-03-07-note-bbbb.toml", "kind = \"note\"\n"), x, y)
		w.seal(b)
	}, rule: RuleBeside, told: true},
}

// depth is how many commits lie below the tip.
func (w *world) depth() int {
	n := 0
	for h := w.head; ; n++ {
		c, err := gitobj.ReadCommit(w.objects, h)
		if err != nil {
			panic(err)
		}
		if len(c.Parents) == 0 {
			return n
		}
		h = c.Parents[0]
	}
}

// apart has two benches correct the release, each for itself.
func apart(w *world, a, b *bench) (x, y object.Hash) {
	tip := w.head
	x = w.commit(a, w.folder(tip).swap(w, done, "partly", "fully"), tip)
	y = w.commit(b, w.folder(tip).swap(w, done, "partly", "no", func(c *schema.Correction) { c.Reason = "it stopped again" }), tip)
	return x, y
}

// together is the release as an honest merge writes it: x's text, all corrections
// and one more.
func together(w *world, x, y object.Hash, change ...func(*schema.Correction)) string {
	a, b := w.folder(x)[done], w.folder(y)[done]
	va, _ := schema.ReadVersion([]byte(a))
	vb, _ := schema.ReadVersion([]byte(b))
	c := schema.Correction{Date: schema.NewDate(w.now), By: "mw", Reason: "corrected on two benches at once", Over: []string{sum(b)}}
	for _, f := range change {
		f(&c)
	}
	list := slices.Clone(va.Corrections)
	if x != y {
		list = append(list, vb.Corrections...)
	}
	return string(schema.WithCorrections([]byte(a), append(list, c)))
}

func TestMutations(t *testing.T) {
	w0, _, _ := story()
	if len(mutations) < 60 {
		t.Fatalf("only %d", len(mutations))
	}
	names := map[string]bool{}
	for _, m := range mutations {
		if names[m.name] {
			t.Errorf("%q twice", m.name)
		}
		names[m.name] = true
		t.Run(m.name, func(t *testing.T) {
			w := w0.copy()
			m.do(w, newBench("A", 1), newBench("B", 2))
			r := w.check(t)
			level := Broken
			if m.told {
				level = Told
			} else if m.forked {
				level = Forked
			}
			if !found(r, level, m.rule, m.path) {
				t.Errorf("want %s %s %s, got:\n%s", level, m.rule, m.path, findings(r))
			}
			if m.told && r.Worst() != Told {
				t.Errorf("told and no more, but:\n%s", findings(r))
			}
		})
	}
}
