package growth

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// folder is an instrument's folder: texts by path.
type folder map[string]string

func (f folder) with(change ...string) folder {
	out := folder{}
	for p, s := range f {
		out[p] = s
	}
	for i := 0; i < len(change); i += 2 {
		out[change[i]] = change[i+1]
	}
	return out
}

func (f folder) without(paths ...string) folder {
	out := f.with()
	for _, p := range paths {
		delete(out, p)
	}
	return out
}

// edit replaces a text in a file.
func (f folder) edit(p, old, new string) folder {
	if !strings.Contains(f[p], old) {
		panic(p + " has no " + old)
	}
	return f.with(p, strings.Replace(f[p], old, new, 1))
}

// bench is a shop with keys of its own, at work on histories that stand in memory.
type bench struct {
	name string
	keys []ssh.Signer
	key  int // the one in use
	rot  []Rotation
}

func newBench(name string, seed byte) *bench {
	b := &bench{name: name}
	for i := range byte(3) {
		s, err := ssh.NewSignerFromKey(ed25519.NewKeyFromSeed(bytes.Repeat([]byte{seed, i}, 16)))
		if err != nil {
			panic(err)
		}
		b.keys = append(b.keys, s)
	}
	return b
}

func (b *bench) signer() ssh.Signer { return b.keys[b.key] }

func (b *bench) fingerprint() string { return gitobj.Fingerprint(b.signer().PublicKey()) }

// rotate goes on with the next key.
func (b *bench) rotate() {
	old := b.fingerprint()
	b.key++
	b.rot = append(b.rot, Rotation{old, b.fingerprint()})
}

// world holds objects, one history's tip and its seals.
type world struct {
	objects gitobj.Set
	head    object.Hash
	seals   []Seal
	now     time.Time
	rot     []Rotation
}

func newWorld() *world {
	return &world{objects: gitobj.Set{}, now: time.Date(2031, 3, 4, 9, 0, 0, 0, time.UTC)}
}

// copy is the same world, to be changed apart.
func (w *world) copy() *world {
	c := *w
	c.objects = gitobj.Set{}
	for id, o := range w.objects {
		c.objects[id] = o
	}
	c.seals, c.rot = slices.Clone(w.seals), slices.Clone(w.rot)
	return &c
}

func (w *world) put(t object.Type, data []byte) object.Hash {
	id := object.Sum(t, data)
	w.objects[id] = object.Object{Type: t, Data: data}
	return id
}

type item struct {
	mode, name string
	id         object.Hash
}

func (w *world) rawTree(list ...item) object.Hash {
	var b bytes.Buffer
	for _, e := range list {
		fmt.Fprintf(&b, "%s %s\x00%s", e.mode, e.name, e.id[:])
	}
	return w.put(object.TypeTree, b.Bytes())
}

func (w *world) tree(f folder) object.Hash {
	subs := map[string]folder{}
	var list []item
	for p, s := range f {
		if top, rest, ok := strings.Cut(p, "/"); ok {
			if subs[top] == nil {
				subs[top] = folder{}
			}
			subs[top][rest] = s
			continue
		}
		list = append(list, item{gitobj.ModeFile, p, w.put(object.TypeBlob, []byte(s))})
	}
	for top, sub := range subs {
		list = append(list, item{gitobj.ModeTree, top, w.tree(sub)})
	}
	slices.SortFunc(list, func(a, b item) int {
		x, y := a.name, b.name
		if a.mode == gitobj.ModeTree {
			x += "/"
		}
		if b.mode == gitobj.ModeTree {
			y += "/"
		}
		return strings.Compare(x, y)
	})
	return w.rawTree(list...)
}

// folder reads a commit's folder back.
func (w *world) folder(commit object.Hash) folder {
	c, err := gitobj.ReadCommit(w.objects, commit)
	if err != nil {
		panic(err)
	}
	out := folder{}
	var read func(tree object.Hash, dir string)
	read = func(tree object.Hash, dir string) {
		list, err := gitobj.ReadTree(w.objects, tree)
		if err != nil {
			panic(err)
		}
		for _, e := range list {
			if e.Mode == gitobj.ModeTree {
				read(e.ID, dir+e.Name+"/")
			} else {
				out[dir+e.Name] = string(w.objects[e.ID].Data)
			}
		}
	}
	read(c.Tree, "")
	return out
}

func (w *world) at() folder { return w.folder(w.head) }

// commitTree writes a commit, signed where by is a bench, and moves the tip.
func (w *world) commitTree(by *bench, tree object.Hash, parents ...object.Hash) object.Hash {
	w.now = w.now.Add(time.Hour)
	var b strings.Builder
	fmt.Fprintf(&b, "tree %s\n", tree)
	for _, p := range parents {
		fmt.Fprintf(&b, "parent %s\n", p)
	}
	who := "Nobody <x@example.org>"
	if by != nil {
		who = by.name + " <x@example.org>"
	}
	fmt.Fprintf(&b, "author %s %d +0000\ncommitter %s %d +0000\n", who, w.now.Unix(), who, w.now.Unix())
	text := b.String() + "\nwork\n"
	if by != nil {
		sig, err := sshsig.Sign(strings.NewReader(text), by.signer(), sshsig.HashSHA512, "git")
		if err != nil {
			panic(err)
		}
		armored := strings.TrimSpace(string(sshsig.Armor(sig)))
		text = b.String() + "gpgsig " + strings.ReplaceAll(armored, "\n", "\n ") + "\n\nwork\n"
	}
	w.head = w.put(object.TypeCommit, []byte(text))
	return w.head
}

func (w *world) commit(by *bench, f folder, parents ...object.Hash) object.Hash {
	if parents == nil && !w.head.IsZero() {
		parents = []object.Hash{w.head}
	}
	return w.commitTree(by, w.tree(f), parents...)
}

func (w *world) roots() object.Hash {
	h := w.head
	for {
		c, err := gitobj.ReadCommit(w.objects, h)
		if err != nil {
			panic(err)
		}
		if len(c.Parents) == 0 {
			return h
		}
		h = c.Parents[0]
	}
}

// seal seals the tip, in the order that the rules ask for.
func (w *world) seal(by *bench, change ...func(*Seal)) {
	w.now = w.now.Add(time.Hour)
	k := &checker{in: Input{Objects: w.objects, Head: w.head}, out: &Result{}, nodes: map[object.Hash]*node{}}
	if err := k.walk(); err != nil {
		panic(err)
	}
	s := Seal{Head: w.head, Root: w.roots(), UUID: id, Sealed: w.now, Key: by.fingerprint(), Rotations: append(slices.Clone(w.rot), by.rot...)}
	s.Keys = []string{by.fingerprint()}
	known := map[string]bool{}
	for _, t := range w.seals {
		for _, d := range t.Supersedes {
			known[d] = known[d] || k.nodes[t.Head] != nil
		}
	}
	for _, t := range w.seals {
		if k.nodes[t.Head] != nil && !known[t.Digest] {
			s.Supersedes = append(s.Supersedes, t.Digest)
		}
		if k.nodes[t.Head] != nil {
			s.Number = max(s.Number, t.Number)
		}
	}
	s.Number++
	for _, f := range change {
		f(&s)
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "%v %v", s, by.name))
	s.Digest = hex.EncodeToString(sum[:])
	s.Name = fmt.Sprintf("seal/longwave-3/lw3-2204/%d-%s", s.Number, s.Digest[:8])
	w.rot = s.Rotations
	w.seals = append(w.seals, s)
}

func (w *world) check(t testing.TB) *Result {
	t.Helper()
	r, err := Check(Input{Objects: w.objects, Head: w.head, Seals: w.seals, Now: w.now.Add(time.Hour), Signatures: true})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// correct gives a file's new text the correction that fits.
func (f folder) correct(w *world, p, text, reason string, change ...func(*schema.Correction)) folder {
	old, err := schema.ReadVersion([]byte(f[p]))
	if err != nil {
		panic(err)
	}
	now, err := schema.ReadVersion([]byte(text))
	if err != nil {
		panic(err)
	}
	c := schema.Correction{Date: schema.NewDate(w.now), By: "mw", Reason: reason}
	c.Name(schema.FactsBetween(old, now))
	for _, x := range change {
		x(&c)
	}
	return f.with(p, text+string(schema.EncodeTable("correction", &c)))
}

// swap corrects one text in a file to another.
func (f folder) swap(w *world, p, old, new string, change ...func(*schema.Correction)) folder {
	return f.correct(w, p, f.edit(p, old, new)[p], "a slip of the pen", change...)
}

func sum(s string) string {
	d := sha256.Sum256([]byte(s))
	return hex.EncodeToString(d[:])
}

const (
	id     = "6f0c2f5e-4f0c-4d57-9d52-1b8f0b3f6a11"
	intake = "2031-03-01-intake-7q3f.toml"
	parts  = "2031-03-02-parts-m4dk.toml"
	safety = "2031-03-03-safety-k8yw.toml"
	done   = "2031-03-04-release-y7mk.toml"
	picked = "2031-03-06-custody-f3xp.toml"
	photo  = "photos/crack.jpg"
)

// first is the folder after the first job.
func first() folder {
	return folder{
		".gitattributes":  Attributes,
		"instrument.toml": "format = 1\nuuid = \"" + id + "\"\nmaker = \"Corvane\"\nmodel = \"Longwave 3\"\n\n[[serial]]\nplace = \"plate\"\nvalue = \"2204\"\nhow = \"read\"\n",
		"model.toml":      "maker = \"Corvane\"\nname = \"Longwave 3\"\n",
		intake: "kind = \"intake\"\ndate = 2031-03-01\nby = \"mw\"\nreason = \"repair\"\nworks = \"no\"\n\n[[fault]]\nid = \"F1\"\nsymptom = \"no sound\"\n\n" +
			"[[photo]]\nfile = \"photos/crack.jpg\"\ncaption = \"a crack in the lid\"\n",
		parts:  "kind = \"parts\"\ndate = 2031-03-02\nby = \"mw\"\n\n[[part]]\nref = \"C1\"\nfound = \"failed\"\n\n[[part]]\nref = \"C2\"\nfound = \"ok\"\nnew = {value = \"47 uF\"}\n",
		safety: "kind = \"safety\"\ndate = 2031-03-03\nby = \"mw\"\n\n[[check]]\nname = \"earth\"\nresult = \"done\"\nvalue = \"0.08 ohm\"\n",
		done:   "kind = \"release\"\ndate = 2031-03-04\nby = \"mw\"\nworks = \"partly\"\n",
		photo:  "the crack",
	}
}

// story is an honest history: A closes and seals, corrects and seals, B takes over
// and seals.
func story() (w *world, a, b *bench) {
	w, a, b = newWorld(), newBench("A", 1), newBench("B", 2)
	f := first()
	w.commit(a, folder{".gitattributes": f[".gitattributes"], "instrument.toml": f["instrument.toml"]})
	for _, step := range [][]string{{intake, photo}, {parts}, {safety}, {done}, {"model.toml"}} {
		now := w.at()
		for _, p := range step {
			now = now.with(p, f[p])
		}
		w.commit(a, now)
	}
	w.seal(a)
	w.commit(a, w.at().swap(w, parts, "47 uF", "4.7 uF"))
	w.seal(a)
	w.now = w.now.AddDate(0, 0, 2)
	w.commit(b, w.at().with(picked, "kind = \"custody\"\ndate = 2031-03-06\nby = \"jt\"\nevent = \"received\"\n"))
	w.seal(b)
	return w, a, b
}
