package proof

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"maps"
	"os"
	"path"
	"path/filepath"
	"reflect"
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

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// key is a signing key of an invented person.
type key struct {
	ssh.Signer
	private crypto.Signer
}

func (k key) Sign(namespace string, data []byte) ([]byte, error) {
	sig, err := sshsig.Sign(bytes.NewReader(data), k.Signer, sshsig.HashSHA512, namespace)
	if err != nil {
		return nil, err
	}
	return sshsig.Armor(sig), nil
}

func (k key) fingerprint() string { return gitobj.Fingerprint(k.PublicKey()) }

// file writes the key as OpenSSH keeps it, with its public half beside it.
func (k key) file(t testing.TB) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "id")
	block := must(ssh.MarshalPrivateKey(k.private, ""))
	for file, data := range map[string][]byte{name: pem.EncodeToMemory(block), name + ".pub": []byte(gitobj.Authorized(k.PublicKey()) + "\n")} {
		if err := os.WriteFile(file, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return name
}

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
	return key{must(ssh.NewSignerFromKey(private)), private}
}

var benchDay = time.Date(2031, 3, 4, 10, 0, 0, 0, time.FixedZone("", 3600))

const (
	lw     = "longwave-3/lw3-2204"
	lwUUID = "7c9e6679-7425-40de-944b-e07fc1f90ae7"
	halden = "Halden Street Workshop"
)

// shop is a bench that works on one unit, with nothing but objects in memory.
type shop struct {
	t         testing.TB
	name      string
	person    string
	key       key
	keys      []string // listed in seals; nil: the key alone
	now       time.Time
	objects   gitobj.Set
	head      object.Hash
	files     map[string][]byte // of the unit's folder
	seals     []*Seal
	rotations []SignedRotation
	unsigned  bool
}

// newShop opens a unit, and closes a first job on it.
func newShop(t testing.TB, k key) *shop {
	s := &shop{t: t, name: halden, person: "Maren Wickstead <maren@halden-street.example>", key: k, now: benchDay, objects: gitobj.Set{}, files: map[string][]byte{}}
	s.files[".gitattributes"] = []byte(Attributes)
	s.files["instrument.toml"] = []byte("format = 1\nuuid = \"" + lwUUID + "\"\nmaker = \"Quillard\"\nmodel = \"Longwave 3\"\n")
	s.commit("instrument: Quillard Longwave 3")
	s.record("2031-03-04-intake-7q3f.toml", "intake", "reason = \"overhaul\"\nworks = \"partly\"\n")
	s.record("2031-03-04-parts-m4dk.toml", "parts", "[[part]]\nsection = \"amplifier\"\nref = \"C1-C3\"\nfamily = \"capacitor/electrolytic\"\nfound = \"failed\"\n"+
		"how = \"out-of-circuit\"\nmode = \"drift\"\naction = \"replaced\"\nold = {value = \"10 uF\", rating = \"16 V\"}\nnew = {value = \"10 uF\", rating = \"35 V\"}\n")
	s.record("2031-03-04-release-k8yw.toml", "release", "works = \"fully\"\nmains = \"230 V\"\nfuse = \"315 mA T\"\n")
	s.files["model.toml"] = []byte("maker = \"Quillard\"\nname = \"Longwave 3\"\n\n[[section]]\nname = \"transport\"\n\n[[section]]\nname = \"amplifier\"\nboard = \"LW-A\"\n\n[[board]]\nname = \"LW-A\"\n")
	s.commit("model: Quillard Longwave 3")
	return s
}

// record closes one record.
func (s *shop) record(name, kind, text string) {
	day := name[:len("2031-03-04")]
	s.files[name] = []byte("kind = \"" + kind + "\"\ndate = " + day + "\nby = \"mw\"\n" + text)
	s.commit(day + " " + kind)
}

// note closes a note of the day with other words each time.
func (s *shop) note(text string) string {
	name := fmt.Sprintf("%s-note-%s.toml", s.now.Format(time.DateOnly), letters(len(s.files)))
	s.record(name, "note", "note = "+Quote(text)+"\n")
	return name
}

// letters makes four of the letters record names have.
func letters(n int) string {
	const all = "23456789abcdefghjkmnpqrstuvwxyz"
	out := make([]byte, 4)
	for i := range out {
		out[i] = all[n%len(all)]
		n /= len(all)
	}
	return string(out)
}

func (s *shop) put(t object.Type, data []byte) object.Hash {
	o := object.Object{Type: t, Data: data}
	s.objects[o.Hash()] = o
	return o.Hash()
}

func (s *shop) tree(dir string) object.Hash {
	at := map[string]gitobj.Entry{}
	for p, data := range s.files {
		below, ok := strings.CutPrefix(p, dir)
		if !ok {
			continue
		}
		if first, _, deep := strings.Cut(below, "/"); deep {
			at[first] = gitobj.Entry{Mode: gitobj.ModeTree, Name: first}
		} else {
			at[below] = gitobj.Entry{Mode: gitobj.ModeFile, Name: below, ID: s.put(object.TypeBlob, data)}
		}
	}
	for name, e := range at {
		if e.Mode == gitobj.ModeTree {
			e.ID = s.tree(dir + name + "/")
			at[name] = e
		}
	}
	return s.put(object.TypeTree, encodeTree(slices.SortedFunc(maps.Values(at), func(a, b gitobj.Entry) int { return strings.Compare(sortName(a), sortName(b)) })))
}

func encodeTree(entries []gitobj.Entry) []byte {
	var b bytes.Buffer
	for _, e := range entries {
		fmt.Fprintf(&b, "%s %s\x00%s", e.Mode, e.Name, e.ID[:])
	}
	return b.Bytes()
}

// commit commits the files on the head.
func (s *shop) commit(subject string) {
	parents := []object.Hash{s.head}
	if s.head.IsZero() {
		parents = nil
	}
	s.head = s.commitOf(s.tree(""), parents, subject+"\n\nInstrument: "+lwUUID+"\n")
}

func (s *shop) commitOf(tree object.Hash, parents []object.Hash, message string) object.Hash {
	head := fmt.Sprintf("tree %s\n", tree)
	for _, p := range parents {
		head += fmt.Sprintf("parent %s\n", p)
	}
	who := fmt.Sprintf("%s %d %s\n", s.person, s.now.Unix(), s.now.Format("-0700"))
	head += "author " + who + "committer " + who
	if !s.unsigned {
		sig := must(s.key.Sign("git", []byte(head+"\n"+message)))
		head += "gpgsig " + strings.ReplaceAll(strings.TrimSpace(string(sig)), "\n", "\n ") + "\n"
	}
	return s.put(object.TypeCommit, []byte(head+"\n"+message))
}

// statement says what a seal made now says.
func (s *shop) statement() *Statement {
	st := &Statement{Format: FormatStatement, Kind: "seal", Unit: lw, UUID: lwUUID, Number: 1, Head: s.head.String(), Sealed: s.now.Truncate(time.Second),
		Shop: SealedShop{Name: s.name, Keys: s.keys}, Persons: []Person{{"mw", plainName(must2(gitobj.Person(s.person)))}}, Rotations: s.rotations}
	if st.Shop.Keys == nil {
		st.Shop.Keys = []string{gitobj.Authorized(s.key.PublicKey())}
	}
	order := must(Log(s.objects, s.head))
	st.Root = order[0].String()
	var before []object.Hash
	for _, t := range Tips(s.seals) {
		if slices.Contains(order, t.head) {
			st.Supersedes = append(st.Supersedes, t.Digest)
			st.Number = max(st.Number, t.Statement.Number+1)
			before = append(before, t.head)
		}
	}
	slices.Sort(st.Supersedes)
	var err error
	if st.Objects, st.ObjectsSHA256, err = SealedObjects(s.objects, s.head, before); err != nil {
		s.t.Fatal(err)
	}
	st.Files = must(SealedFiles(s.objects, s.head))
	return st
}

func must2(a, _ string) string { return a }

// seal seals the head.
func (s *shop) seal() *Seal { return s.sealAs(s.statement()) }

func (s *shop) sealAs(st *Statement) *Seal {
	x := makeSeal(s.t, s.objects, st, s.person, s.key)
	s.seals = Order(append(s.seals, x))
	return x
}

// makeSeal signs a statement as a tag. What a reader would refuse is made all the
// same: it is nil then.
func makeSeal(t testing.TB, objects gitobj.Set, st *Statement, person string, by key) *Seal {
	text := st.Encode()
	name := SealTag(st, text)
	raw := fmt.Appendf(nil, "object %s\ntype commit\ntag %s\ntagger %s %d +0100\n\n%s", st.Head, name, person, st.Sealed.Unix(), text)
	raw = append(raw, must(by.Sign("git", raw))...)
	o := object.Object{Type: object.TypeTag, Data: raw}
	objects[o.Hash()] = o
	x, err := ParseSeal(name, o.Hash(), raw)
	if err != nil {
		return &Seal{Name: name, ID: o.Hash(), Digest: Digest(raw), Message: text, Statement: st, head: object.NewHash(st.Head)}
	}
	return x
}

// packet hands the unit over as its last seal has it.
func (s *shop) packet() []byte {
	s.t.Helper()
	data, err := MakePacket(NewPacket{Objects: s.reached(), Chain: s.seals, Reports: plainReports, Signer: s.key, Made: s.now})
	if err != nil {
		s.t.Fatal(err)
	}
	return data
}

// reached is what the seals and the head need.
func (s *shop) reached() gitobj.Set {
	out := must(Reach(s.objects, s.head))
	for _, x := range s.seals {
		maps.Copy(out, must(Reach(s.objects, x.head)))
		out[x.ID] = s.objects[x.ID]
	}
	return out
}

// later moves the clock on by days.
func (s *shop) later(days int) { s.now = s.now.AddDate(0, 0, days) }

// plainData stands in for the data of a report.
type plainData struct {
	Schema  int           `json:"schema"`
	UUID    string        `json:"uuid"`
	Seal    string        `json:"seal"`
	Count   int           `json:"count"` // worked out
	Records []plainRecord `json:"records"`
	Words   []string      `json:"words"` // worked out
}

type plainRecord struct {
	Name string            `json:"name"`
	Kind string            `json:"kind"`
	Note string            `json:"note,omitempty"`
	From string            `json:"from,omitempty"`
	More map[string]string `json:"more,omitempty"`
}

func plainOf(t *Travelled) plainData {
	d := plainData{Schema: 1, UUID: t.Unit.Instrument.UUID, Seal: t.Last().QR(), Count: len(t.Unit.Files), Words: []string{"made by a test"}}
	for _, f := range t.Unit.Files {
		r := plainRecord{Name: path.Base(f.Path), Kind: string(f.Record.Head().Kind), Note: f.Record.Head().Note}
		if e := t.Unit.Elsewhere[f.Name()]; e != nil {
			r.From = e.Name
		}
		d.Records = append(d.Records, r)
	}
	return d
}

// plainReports stands in for the reports.
var plainReports = Reports{
	Make: func(t *Travelled) (map[string][]byte, error) {
		data := must(json.MarshalIndent(plainOf(t), "", " "))
		return map[string][]byte{ReportData: data, ReportPage: append([]byte("<p>"), data...), ReportPrint: append([]byte("%PDF"), data...)}, nil
	},
	Compare: func(_ *Travelled, sent, made []byte) Comparison {
		return CompareData(Shape{Type: reflect.TypeFor[plainData](), Worked: func(p string) bool { return p == "count" || p == "words" },
			Grouped: func(p string) bool { return p == "words" }}, sent, made)
	},
}

// trusting is what somebody asks who was told this key.
func trusting(keys ...key) Options {
	t := &Trust{Revoked: Revoked{}}
	for _, k := range keys {
		t.Expect = append(t.Expect, k.fingerprint())
	}
	return Options{Trust: t, Reports: &plainReports, Now: benchDay.AddDate(5, 0, 0)}
}

// verdict fails unless a verification ends as wanted, without a finding.
func verdict(t testing.TB, v *Verification, want Verdict) {
	t.Helper()
	if v.Verdict != want || v.Exit != want.ExitCode() {
		t.Errorf("the verdict is %q, want %q\n%s", v.Verdict, want, flaws(v))
	}
	for _, f := range v.Flaws {
		if !f.Warning {
			t.Errorf("a false alarm: %+v", f)
		}
	}
}

func flaws(v *Verification) string {
	var b strings.Builder
	for _, f := range v.Flaws {
		fmt.Fprintf(&b, "  %+v\n", f)
	}
	return b.String()
}

// instrument changes a fact of instrument.toml.
func instrument(data []byte, change func(*schema.Instrument)) []byte {
	i, _ := schema.Decode[schema.Instrument]("instrument.toml", data)
	change(i)
	return schema.Encode(i)
}

// lastNote is the newest file of the unit's folder.
func (s *shop) lastNote() string {
	names := slices.Sorted(maps.Keys(s.files))
	for _, n := range slices.Backward(names) {
		if strings.Contains(n, "-note-") {
			return n
		}
	}
	s.t.Fatal("there is no note")
	return ""
}

// missing are the entries of one commit's folder that another has not.
func missing(s *shop, from, to object.Hash) []gitobj.Entry {
	have := must(gitobj.ReadTree(s.objects, must(Tree(s.objects, to))))
	return slices.DeleteFunc(must(gitobj.ReadTree(s.objects, must(Tree(s.objects, from)))), func(e gitobj.Entry) bool {
		return slices.ContainsFunc(have, func(x gitobj.Entry) bool { return x.Name == e.Name })
	})
}

func sorted(entries []gitobj.Entry) []gitobj.Entry {
	slices.SortFunc(entries, func(a, b gitobj.Entry) int { return strings.Compare(sortName(a), sortName(b)) })
	return entries
}

func must3[A, B any](a A, b B, err error) (A, B) {
	if err != nil {
		panic(err)
	}
	return a, b
}
