package ledger

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/pem"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/sshkey"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// key is a signing key of an invented person, with its file.
type key struct {
	sshkey.Signer
	file string
}

func (k key) fingerprint() string { return gitobj.Fingerprint(k.PublicKey()) }

// newKey makes a key of a kind: ed25519, ecdsa or rsa.
func newKey(t testing.TB, kind string) key {
	t.Helper()
	var private crypto.Signer
	var err error
	switch kind {
	case "ed25519":
		_, private, err = ed25519.GenerateKey(rand.Reader)
	case "ecdsa":
		private, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	case "rsa":
		private, err = rsa.GenerateKey(rand.Reader, 2048)
	}
	if err != nil {
		t.Fatal(err)
	}
	block, err := ssh.MarshalPrivateKey(private, "")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "id_"+kind)
	if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := sshkey.LoadFile(file, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file+".pub", []byte(gitobj.Authorized(s.PublicKey())+"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	return key{s, file}
}

// signWith makes a ledger sign with a key from now on.
func (w *workshop) signWith(k key) {
	w.t.Helper()
	f, err := os.OpenFile(filepath.Join(w.Dir, ".git", "config"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		w.t.Fatal(err)
	}
	fmt.Fprintf(f, "[gpg]\n\tformat = ssh\n[user]\n\tsigningkey = %q\n", k.file)
	if err := f.Close(); err != nil {
		w.t.Fatal(err)
	}
}

// later moves the clock on by days.
func (w *workshop) later(days int) { w.now = w.now.AddDate(0, 0, days) }

func (w *workshop) seal(name string) SealResult {
	w.t.Helper()
	r, err := w.Seal(name, SealOptions{})
	if err != nil {
		w.t.Fatalf("seal: %v%s", err, drawings(err))
	}
	return r
}

// packet closes what is open, seals and hands over.
func (w *workshop) packet(name string) []byte {
	w.t.Helper()
	w.seal(name)
	return w.handover(name)
}

func (w *workshop) handover(name string) []byte {
	w.t.Helper()
	data, _, err := w.Handover(name, plainReports)
	if err != nil {
		w.t.Fatalf("handover: %v%s", err, drawings(err))
	}
	return data
}

// plainReports stands in for the reports: every fact a report could be made from.
var plainReports = proof.Reports{
	Make: func(t *Travelled) (map[string][]byte, error) {
		var b strings.Builder
		last := t.Last()
		fmt.Fprintf(&b, "%s %s as of %s, %s\n", t.Unit.Name, t.Unit.Instrument.UUID, schema.NewDate(last.Statement.Sealed), last.QR())
		fmt.Fprintf(&b, "%s: %v\n%d families, %d problems\n", t.Shop.Name, t.Shop.Technicians, len(t.Families), len(t.Problems))
		for _, f := range t.Unit.Files {
			from := "own"
			if e := t.Unit.Elsewhere[f.Name()]; e != nil {
				from = fmt.Sprintf("%s %v", e.Name, e.Technicians)
			}
			fmt.Fprintf(&b, "%s %s (%s)\n", f.Name(), schema.Summary(f.Record), from)
		}
		for _, s := range t.Steps {
			fmt.Fprintf(&b, "%s %s %s %s\n", s.Commit, s.Subject, s.Signed, s.Closed.Format(time.RFC3339))
		}
		for _, p := range slices.Sorted(maps.Keys(t.Files)) {
			fmt.Fprintf(&b, "%s %s\n", p, proof.Digest(t.Files[p]))
		}
		files := map[string][]byte{}
		for _, f := range []string{proof.ReportPage, proof.ReportData, proof.ReportPrint} {
			files[f] = []byte(f + "\n" + b.String())
		}
		return files, nil
	},
	Compare: func(_ *Travelled, sent, made []byte) proof.Comparison {
		if bytes.Equal(sent, made) {
			return proof.Comparison{}
		}
		return proof.Comparison{Lies: []string{"something"}}
	},
}

// trusting is what somebody asks who was told these keys.
func trusting(keys ...key) proof.Options {
	t := &proof.Trust{Revoked: proof.Revoked{}}
	for _, k := range keys {
		t.Expect = append(t.Expect, k.fingerprint())
	}
	return proof.Options{Trust: t, Reports: &plainReports, Now: benchDay.AddDate(9, 0, 0)}
}

// listing is what somebody asks who has these keys in a list.
func listing(keys ...key) proof.Options {
	o := trusting()
	for _, k := range keys {
		o.Trust.Signers = append(o.Trust.Signers, must(proof.ParseSigners("signers", []byte("maren@halden-street.example "+gitobj.Authorized(k.PublicKey())+"\n"))))
	}
	return o
}

// verdict fails unless a verification ends as wanted, without a finding.
func verdict(t testing.TB, v *proof.Verification, want proof.Verdict) {
	t.Helper()
	if v.Verdict != want {
		t.Errorf("the verdict is %q, want %q\n%s", v.Verdict, want, flaws(v))
	}
	for _, f := range v.Flaws {
		if !f.Warning {
			t.Errorf("a false alarm: %+v", f)
		}
	}
}

func flaws(v *proof.Verification) string {
	var b strings.Builder
	for _, f := range v.Flaws {
		fmt.Fprintf(&b, "  %+v\n", f)
	}
	return b.String()
}

// bench is a second shop, in another place.
func newBench(t testing.TB, name, person string, k key) *workshop {
	t.Helper()
	w := &workshop{t: t, now: benchDay.AddDate(1, 0, 0)}
	shop := schema.Shop{Name: name, Technicians: []schema.Technician{{ID: "mw", Name: person, Email: "bench@" + slugOf(name) + ".example"}}}
	l, err := Start(filepath.Join(t.TempDir(), "ledger"), StartOptions{Shop: shop}, w.options())
	if err != nil {
		t.Fatal(err)
	}
	w.Ledger = l
	t.Cleanup(func() { l.Close() })
	w.signWith(k)
	return w
}

// clean fails unless check finds no error.
func (w *workshop) clean() {
	w.t.Helper()
	r, err := w.Check()
	if err != nil {
		w.t.Fatal(err)
	}
	if !r.Clean() {
		for _, p := range r.Problems {
			w.t.Error(p.Drawing())
		}
		w.t.Errorf("check: %+v", r.Git)
	}
}

func TestSealIsWhatStockGitAccepts(t *testing.T) {
	w := newWorkshop(t)
	k := newKey(t, "ed25519")
	w.signWith(k)
	w.job(lw)
	w.close(lw)
	r := w.seal(lw)
	if r.Number != 1 || r.SignedBy != k.fingerprint() || !strings.HasPrefix(r.Tag, "seal/"+lw+"/1-"+r.Digest[:8]) {
		t.Errorf("the seal is %+v", r)
	}
	signers := filepath.Join(t.TempDir(), "signers")
	if err := os.WriteFile(signers, []byte("maren@halden-street.example namespaces=\"git\" "+gitobj.Authorized(k.PublicKey())+"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	out := git(t, w.Dir, "-c", "gpg.ssh.allowedSignersFile="+signers, "verify-tag", r.Tag)
	if !strings.Contains(out, `Good "git" signature for maren@halden-street.example`) {
		t.Errorf("git verify-tag: %s", out)
	}
	// The statement against stock tools: git, sort and SHA-256.
	st := git(t, w.Dir, "cat-file", "tag", r.Tag)
	objects := strings.Fields(git(t, w.Dir, "rev-list", "--objects", "--no-object-names", r.Head))
	slices.Sort(objects)
	var lines strings.Builder
	for _, o := range objects {
		kind := git(t, w.Dir, "cat-file", "-t", o)
		cmd := exec.Command("git", "cat-file", kind, o)
		cmd.Dir = w.Dir
		data, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&lines, "%s %s %s\n", o, kind, proof.Digest(data))
	}
	if want := "objects_sha256 = \"" + proof.Digest([]byte(lines.String())) + "\""; !strings.Contains(st, want) {
		t.Errorf("the statement does not hold %s:\n%s", want, st)
	}
	judge(t, w.Dir)
}

func TestSealRefuses(t *testing.T) {
	k := newKey(t, "ed25519")
	for _, c := range []struct {
		name string
		make func(w *workshop)
		want string
	}{
		{"no key", func(w *workshop) { w.job(lw); w.close(lw) }, "no key is chosen"},
		{"never closed", func(w *workshop) { w.signWith(k); w.job(lw) }, "never closed"},
		{"an open record", func(w *workshop) {
			w.signWith(k)
			w.job(lw)
			w.close(lw)
			w.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
		}, "not closed yet: 2031-03-04-followup-"},
		{"a hand edit", func(w *workshop) {
			w.signWith(k)
			w.job(lw)
			w.close(lw)
			w.edit(unitDir(lw)+"/files/plan.txt", []byte("a plan"))
		}, "not saved yet"},
		{"commits without a signature", func(w *workshop) { w.job(lw); w.close(lw); w.signWith(k) }, "5 of its commits that no seal covers yet are not signed"},
		{"sealed already", func(w *workshop) { w.signWith(k); w.job(lw); w.close(lw); w.seal(lw) }, "sealed already"},
		{"a key that is revoked", func(w *workshop) {
			w.signWith(k)
			w.job(lw)
			w.close(lw)
			if _, err := w.RevokeKey(k.fingerprint(), "the laptop was stolen"); err != nil {
				w.t.Fatal(err)
			}
		}, "revoked"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorkshop(t)
			c.make(w)
			before := git(t, w.Dir, "for-each-ref")
			_, err := w.Seal(lw, SealOptions{})
			if err == nil || !strings.Contains(err.Error()+" "+hintOf(err), c.want) {
				t.Errorf("seal says %v, want %q", err, c.want)
			}
			if git(t, w.Dir, "for-each-ref") != before {
				t.Error("something was written")
			}
		})
	}
}

func TestSealsFormAChain(t *testing.T) {
	w := newWorkshop(t)
	k := newKey(t, "ed25519")
	w.job(lw)
	w.close(lw)
	w.signWith(k)
	if _, err := w.Seal(lw, SealOptions{UnsignedHistory: true}); err != nil {
		t.Fatal(err)
	}
	first := w.handover(lw)
	verdict(t, proof.VerifyBytes(first, trusting(k)), proof.Trusted)
	w.later(30)
	w.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
	w.close(lw)
	if _, _, err := w.Handover(lw, plainReports); err == nil || !strings.Contains(err.Error(), "not sealed") {
		t.Errorf("an unsealed tip is handed over: %v", err)
	}
	// The commits that were not signed are vouched for by the first seal: the option
	// is not asked for again.
	if _, err := w.Seal(lw, SealOptions{}); err != nil {
		t.Fatal(err)
	}
	second := w.handover(lw)
	chain, err := w.Seals(lw)
	if err != nil || len(chain) != 2 || !slices.Equal(chain[1].Statement.Supersedes, []string{chain[0].Digest}) {
		t.Fatalf("the chain is %v, %v", chain, err)
	}
	o := trusting(k)
	o.Earlier = [][]byte{first, chain[0].Message}
	o.Label, o.Seals = chain[0].QR(), []string{chain[0].StatementDigest()[:16], chain[1].StatementDigest()}
	v := proof.VerifyBytes(second, o)
	verdict(t, v, proof.Trusted)
	if len(v.Stretches) != 2 || v.Stretches[0].Key != "" || v.Stretches[0].Commits != 5 || v.Stretches[1].Key != k.fingerprint() {
		t.Errorf("the stretches are %+v", v.Stretches)
	}
	// The other way round it is shorter than what is at hand.
	o = trusting(k)
	o.Earlier = [][]byte{second}
	if v := proof.VerifyBytes(first, o); v.Verdict != proof.Broken || !strings.Contains(flaws(v), "it was shortened") {
		t.Errorf("a shortened history: %s\n%s", v.Verdict, flaws(v))
	}
	// Same clock, same key, same bytes.
	if again := w.handover(lw); !bytes.Equal(again, second) {
		t.Error("the same packet made twice differs")
	}
	judge(t, w.Dir)
}

// TestTwoBenches takes a unit from one bench to another and back.
func TestTwoBenches(t *testing.T) {
	first, second := newKey(t, "ed25519"), newKey(t, "ecdsa")
	w := newWorkshop(t)
	w.signWith(first)
	w.edit("lots/2030-c10.toml", []byte("family = \"capacitor/electrolytic\"\npart = {value = \"10 uF\", rating = \"35 V\"}\ndate = 2030-05-01\nquantity = 20\n"))
	w.edit("families.toml", []byte("[[family]]\nname = \"spring/pan\"\ntitle = \"pan springs\"\n"))
	w.edit("shop.toml", append(must(os.ReadFile(filepath.Join(w.Dir, "shop.toml"))), "\n[[test_instrument]]\nid = \"dmm-1\"\nname = \"Bench multimeter\"\n"...))
	w.save()
	w.Ledger = must(Open(w.Dir, w.options()))
	t.Cleanup(func() { w.Close() })
	w.add(lw, schema.KindIntake, "reason = \"overhaul\"\nworks = \"partly\"\n")
	w.add(lw, schema.KindParts, "[[part]]\nsection = \"amplifier\"\nref = \"C1-C3\"\nfamily = \"capacitor/electrolytic\"\n"+
		"found = \"failed\"\nhow = \"out-of-circuit\"\nmode = \"drift\"\naction = \"replaced\"\nnew = {lot = \"2030-c10\"}\n"+
		"[[part]]\nsection = \"transport\"\nref = \"S1\"\nfamily = \"spring/pan\"\nfound = \"ok\"\nhow = \"visual\"\naction = \"cleaned\"\n")
	w.add(lw, schema.KindMeasurements, "[[reading]]\npoint = \"supply\"\nquantity = \"voltage\"\nvalue = \"15.0 V\"\nstage = \"as-left\"\nwith = \"dmm-1\"\n")
	w.add(lw, schema.KindRelease, "works = \"fully\"\nmains = \"230 V\"\nfuse = \"315 mA T\"\n")
	w.close(lw)
	packet := w.packet(lw)
	commits := git(t, w.Dir, "rev-list", "unit/"+lw)

	b := newBench(t, "Lindgate Organ Works", "Tove Ashgrove", second)
	// Nobody told the second bench the key: not by itself.
	if _, err := b.Adopt(packet, AdoptOptions{By: "mw", Verify: trusting()}); err == nil || !strings.Contains(err.Error(), "no reason to trust yet") {
		t.Fatalf("a packet by an unknown key was let in: %v", err)
	}
	if out := git(t, b.Dir, "for-each-ref", "refs/heads/unit", "refs/tags"); out != "" {
		t.Errorf("something was written: %s", out)
	}
	a, err := b.Adopt(packet, AdoptOptions{By: "mw", Verify: trusting(first)})
	if err != nil {
		t.Fatalf("adopt: %v%s", err, drawings(err))
	}
	judge(t, b.Dir)
	b.clean()
	if !slices.ContainsFunc(a.Notes, func(n string) bool { return strings.Contains(n, "spring/pan") }) {
		t.Errorf("the notes are %q", a.Notes)
	}
	if git(t, b.Dir, "rev-parse", "main:instruments/"+lw) != git(t, b.Dir, "rev-parse", "unit/"+lw+"^{tree}") {
		t.Error("main and the branch differ after adopting")
	}
	stock, err := b.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	u, err := b.Unit(lw, stock)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range u.Unit.Files {
		e := u.Unit.Elsewhere[f.Name()]
		if own := f.Record.Head().Kind == schema.KindCustody; own != (e == nil) {
			t.Errorf("%s is taken for %+v's", f.Name(), e)
		} else if e != nil && (e.Name != "Halden Street Workshop" || e.Technicians[0].Name != "Maren Wickstead") {
			t.Errorf("%s is of %+v", f.Name(), e)
		}
	}
	if p := u.Unit.Positions[0].Current(); p.Component == nil || p.Component.Value != "10 uF" {
		t.Errorf("the part from the first bench's lot is %+v here", p.Component)
	}
	if _, err := b.Adopt(packet, AdoptOptions{By: "mw", Verify: trusting(first)}); err == nil || !strings.Contains(err.Error(), "holds all of this packet already") {
		t.Errorf("adopting twice: %v", err)
	}

	// The second bench works on it, and hands it on.
	b.later(3)
	b.job(lw)
	b.close(lw)
	onward := b.packet(lw)
	v := proof.VerifyBytes(onward, trusting(second))
	verdict(t, v, proof.Trusted)
	if len(v.Stretches) != 2 || v.Stretches[0].Key != first.fingerprint() || v.Stretches[0].Shop != "Halden Street Workshop" ||
		v.Stretches[1].Key != second.fingerprint() || v.Stretches[1].Shop != "Lindgate Organ Works" {
		t.Errorf("the stretches are %+v", v.Stretches)
	}
	if v.Stretches[0].Standing != proof.KeyUnknown || v.Stretches[1].Standing != proof.KeyTrusted {
		t.Errorf("the stretches are %+v", v.Stretches)
	}
	for h := range strings.Lines(commits) {
		if !v.HasCommit(object.NewHash(strings.TrimSpace(h))) {
			t.Errorf("commit %s of the first bench is not in the second one's packet", h)
		}
	}
	o := trusting(second)
	o.Earlier = [][]byte{packet}
	verdict(t, proof.VerifyBytes(onward, o), proof.Trusted)

	// And back: the first bench has its own work, and the other's is the other's.
	w.later(500)
	if _, err := w.Adopt(onward, AdoptOptions{By: "mw", As: "longwave-3/again", Verify: trusting(second)}); err == nil {
		t.Error("a unit was given a second name")
	}
	if _, err := w.Adopt(onward, AdoptOptions{By: "jt", Verify: trusting(second)}); err != nil {
		t.Fatalf("adopt: %v%s", err, drawings(err))
	}
	judge(t, w.Dir)
	w.clean()
	if stock, err = w.Catalog(); err != nil {
		t.Fatal(err)
	}
	if u, err = w.Unit(lw, stock); err != nil {
		t.Fatal(err)
	}
	own, theirs := 0, 0
	for _, f := range u.Unit.Files {
		if e := u.Unit.Elsewhere[f.Name()]; e == nil {
			own++
		} else if e.Name == "Lindgate Organ Works" {
			theirs++
		}
	}
	if own != 5 || theirs != 4 {
		t.Errorf("%d records are own and %d the other bench's, of %d", own, theirs, len(u.Unit.Files))
	}
	third := w.packet(lw)
	v = proof.VerifyBytes(third, trusting(first))
	verdict(t, v, proof.Trusted)
	if len(v.Stretches) != 3 || len(v.Seals) != 3 {
		t.Errorf("the stretches are %+v", v.Stretches)
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// TestAdoptWhatWasForgotten: a branch that is left of a unit no longer in the
// ledger is a copy held of it. A packet that continues it goes on there; one that
// does not is refused.
func TestAdoptWhatWasForgotten(t *testing.T) {
	shop := newKey(t, "ed25519")
	w := newWorkshop(t)
	w.signWith(shop)
	w.job(lw)
	w.close(lw)
	w.seal(lw)
	w.later(5)
	w.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
	w.close(lw)
	two := w.packet(lw)

	b := newBench(t, "Lindgate Organ Works", "Tove Ashgrove", newKey(t, "ed25519"))
	var history bytes.Buffer
	older := must(w.Seals(lw))[0]
	data := must(proof.HistoryBundle(must(w.packetObjects([]*proof.Seal{older})), []*proof.Seal{older}))
	history.Write(data)
	bundle := filepath.Join(t.TempDir(), "b")
	if err := os.WriteFile(bundle, history.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	git(t, b.Dir, "fetch", "-q", bundle, unitRef(lw)+":"+unitRef(lw))
	for _, c := range []struct {
		name, as string
		packet   []byte
		want     string // "": it is adopted
	}{
		{"under another name", "longwave-3/other", two, "--as " + lw},
		{"continued", "", two, ""},
	} {
		_, err := b.Adopt(c.packet, AdoptOptions{By: "mw", As: c.as, Verify: trusting(shop)})
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error()+" "+hintOf(err), c.want)) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
	judge(t, b.Dir)
	b.clean()
}
