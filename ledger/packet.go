package ledger

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// packetNamespace is what a packet's statement is signed under.
const packetNamespace = "benchlore-packet"

// The entries of a packet, in their order.
const (
	guideFile     = "VERIFY.txt"
	bundleFile    = "history.bundle"
	signersFile   = "signers"
	statementFile = "statement.toml"
	signatureFile = "statement.toml.sig"
)

var packetFiles = []string{guideFile, bundleFile, "report.html", "report.json", "report.pdf", signersFile, statementFile, signatureFile}

// reportFiles are the ones a [Renderer] makes.
var reportFiles = []string{"report.html", "report.json", "report.pdf"}

// maxPacket bounds a packet that is read, in bytes.
const maxPacket = 512 << 20

// PacketStatement is statement.toml: what a packet consists of.
type PacketStatement struct {
	Format     int               `toml:"format"`
	Kind       string            `toml:"kind"` // "packet"
	UUID       string            `toml:"uuid"`
	Seal       string            `toml:"seal"`        // the tag of the last seal
	SealSHA256 string            `toml:"seal_sha256"` // of the tag object's content
	Head       string            `toml:"head"`
	Made       time.Time         `toml:"made"`
	Rendering  int               `toml:"rendering"` // of the program that made the reports
	Files      map[string]string `toml:"files"`     // SHA-256 of every other file but the signature
}

func (s *PacketStatement) encode() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "format = %d\nkind = %s\nuuid = %s\nseal = %s\nseal_sha256 = %s\nhead = %s\nmade = %s\nrendering = %d\n",
		s.Format, quote(s.Kind), quote(s.UUID), quote(s.Seal), quote(s.SealSHA256), quote(s.Head), s.Made.Format(time.RFC3339), s.Rendering)
	writeDigests(&b, s.Files)
	return []byte(b.String())
}

func parsePacketStatement(data []byte) (*PacketStatement, error) {
	s := &PacketStatement{}
	if err := strictTOML(data, s); err != nil {
		return nil, err
	}
	switch {
	case s.Format != schema.Format:
		return nil, fmt.Errorf("the packet is of format %d; this program reads format %d", s.Format, schema.Format)
	case s.Kind != "packet":
		return nil, fmt.Errorf("the statement is of kind %q, not of a packet", s.Kind)
	case checkUUID(s.UUID) != nil:
		return nil, checkUUID(s.UUID)
	case !sealForm.MatchString(s.Seal), !sha256Form.MatchString(s.SealSHA256), !sha1Form.MatchString(s.Head), s.Made.IsZero():
		return nil, errors.New("the packet's statement does not say which seal, head and day it is of")
	}
	for _, f := range packetFiles[:len(packetFiles)-2] {
		if !sha256Form.MatchString(s.Files[f]) {
			return nil, fmt.Errorf("the packet's statement has no digest of %s", f)
		}
	}
	if len(s.Files) != len(packetFiles)-2 {
		return nil, errors.New("the packet's statement names other files than a packet has")
	}
	return s, nil
}

// Travelled is a unit as its history and its seals tell it, and nothing else:
// what a packet's reports are made from. Reading it from the ledger that sealed
// it and from a packet gives the same.
type Travelled struct {
	Unit     *unit.Unit // records of other benches are in its Elsewhere
	Problems []schema.Problem
	Shop     *schema.Shop // who sealed last, as its seal says
	Families schema.FamilyList
	Steps    []Step
	Seals    []*Seal // at least one; the last one stands on the head
	Files    map[string][]byte
	Attached func(path string) ([]byte, error) // a picture or another file of the unit's folder
}

// Last is the seal the reports are made as of.
func (t *Travelled) Last() *Seal { return t.Seals[len(t.Seals)-1] }

// Renderer makes the reports of a packet: report.html, report.json and
// report.pdf, the same bytes for the same unit and program. Rendering is raised
// with every release that sets reports differently, so that an older packet is
// not taken for a forged one.
type Renderer struct {
	Rendering int
	Render    func(t *Travelled) (map[string][]byte, error)
}

// travelled reads what a chain of seals stands over.
func travelled(r *gitstore.Repo, chain []*Seal) (*Travelled, error) {
	last := chain[len(chain)-1].Statement
	t := &Travelled{Seals: chain}
	q := &Ledger{repo: r, opt: Options{Now: func() time.Time { return last.Sealed }}}
	c, err := r.Commit(object.NewHash(last.Head))
	if err != nil {
		return nil, err
	}
	own := &unit.Bench{}
	var families schema.Families
	for _, s := range chain {
		families.Families = append(families.Families, s.Statement.Families...)
		if s.Statement.Shop.Name == last.Shop.Name {
			b := s.Statement.bench()
			own.Technicians = append(b.Technicians, own.Technicians...)
			own.TestInstruments = append(b.TestInstruments, own.TestInstruments...)
			if own.Lots == nil {
				own.Lots = b.Lots
			}
			maps.Copy(own.Lots, b.Lots)
		}
	}
	t.Shop = &schema.Shop{Name: last.Shop.Name, Contact: last.Shop.Contact, Technicians: own.Technicians, TestInstruments: own.TestInstruments}
	t.Families = schema.NewFamilyList(&families)
	elsewhere := benches(chain, func(s *Seal) bool { return s.Statement.Shop.Name != last.Shop.Name })
	stock := &Stock{Families: t.Families, Lots: own.Lots}
	loaded, err := q.loadWith(last.Unit, stock, treeSource{q, c.Tree, unitDir(last.Unit)}, elsewhere)
	if err != nil {
		return nil, err
	}
	t.Unit, t.Problems, t.Files = loaded.Unit, loaded.Problems, loaded.Files
	t.Attached = func(p string) ([]byte, error) {
		data, ok, err := q.blobAt(c.Tree, strings.TrimPrefix(p, unitDir(last.Unit)+"/"))
		if err == nil && !ok {
			err = fmt.Errorf("the unit's folder has no file %q", p)
		}
		return data, err
	}
	t.Steps, err = q.steps(object.NewHash(last.Head), "")
	return t, err
}

// Travelled reads a sealed unit as a packet's reports tell it.
func (l *Ledger) Travelled(name string) (*Travelled, error) {
	chain, err := l.sealedTip(name)
	if err != nil {
		return nil, err
	}
	return travelled(l.repo, chain)
}

// sealedTip returns a unit's seals where the last one stands on the head of its
// history.
func (l *Ledger) sealedTip(name string) ([]*Seal, error) {
	chain, err := l.Seals(name)
	if err != nil {
		return nil, err
	}
	head, ok, err := l.repo.Ref(unitRef(name))
	if err != nil {
		return nil, err
	}
	if !ok || len(chain) == 0 || chain[len(chain)-1].Statement.Head != head.String() {
		return nil, &UsageError{name + ": the last commit of its history is not sealed", "seal it first: benchlore seal " + name}
	}
	return chain, nil
}

// Handover is a packet that was made.
type Handover struct {
	Unit     string `json:"unit"`
	UUID     string `json:"uuid"`
	Seal     string `json:"seal"`
	Head     string `json:"head"`
	SignedBy string `json:"signedBy"`
	Size     int    `json:"size"`
	SHA256   string `json:"sha256"`
	Name     string `json:"name"` // a good name for the file
}

// PacketName is what a unit's packet is called where nobody says otherwise.
func PacketName(st *Statement) string {
	return strings.ReplaceAll(st.Unit, "/", "-") + fmt.Sprintf("-seal-%d.zip", st.Number)
}

// Handover makes the packet of a unit whose head is sealed.
// Errors: *UsageError where it is not, *sshkey.Error.
func (l *Ledger) Handover(name string, render Renderer) ([]byte, Handover, error) {
	var res Handover
	signer, err := l.proofSigner()
	if err != nil {
		return nil, res, err
	}
	stock, err := l.Stock()
	if err != nil {
		return nil, res, err
	}
	if _, _, err := l.sealable(name, stock); err != nil {
		return nil, res, err
	}
	chain, err := l.sealedTip(name)
	if err != nil {
		return nil, res, err
	}
	last := chain[len(chain)-1]
	trust, err := l.Trust()
	if err != nil {
		return nil, res, err
	}
	if last.key != nil && trust.Revoked.has(last.key) {
		return nil, res, &UsageError{fmt.Sprintf("the last seal of %s is signed with %s, which is revoked: nobody could believe the packet", name, Fingerprint(last.key)),
			"add a note that says so, close it, and seal again with another key"}
	}
	objects, refs, err := l.packetHistory(name, chain)
	if err != nil {
		return nil, res, err
	}
	var history bytes.Buffer
	if err := writeBundle(&history, refs, objects); err != nil {
		return nil, res, err
	}
	t, err := travelled(l.repo, chain)
	if err != nil {
		return nil, res, err
	}
	files, err := render.Render(t)
	if err != nil {
		return nil, res, err
	}
	files[bundleFile] = history.Bytes()
	files[signersFile] = claimedSigners(objects, chain, signer.PublicKey(), last.Statement.Shop.Name)
	files[guideFile] = guide(chain, objects, Fingerprint(signer.PublicKey()))
	st := &PacketStatement{Format: schema.Format, Kind: "packet", UUID: last.Statement.UUID, Seal: last.Name, SealSHA256: last.Digest,
		Head: last.Statement.Head, Made: l.opt.Now().Truncate(time.Second), Rendering: render.Rendering, Files: map[string]string{}}
	for _, f := range packetFiles[:len(packetFiles)-2] {
		if files[f] == nil {
			return nil, res, fmt.Errorf("nothing was made for %s", f)
		}
		st.Files[f] = Digest(files[f])
	}
	files[statementFile] = st.encode()
	if files[signatureFile], err = signer.Sign(packetNamespace, files[statementFile]); err != nil {
		return nil, res, err
	}
	data, err := writePacket(files, last.Statement.Sealed)
	if err != nil {
		return nil, res, err
	}
	if len(data) > maxPacket {
		return nil, res, &UsageError{fmt.Sprintf("the packet of %s would have %d bytes; more than %d are read by nobody", name, len(data), maxPacket),
			"leave large attachments out of the unit's folder"}
	}
	return data, Handover{Unit: name, UUID: st.UUID, Seal: last.Name, Head: st.Head, SignedBy: Fingerprint(signer.PublicKey()),
		Size: len(data), SHA256: Digest(data), Name: PacketName(last.Statement)}, nil
}

// packetHistory gathers what the bundle holds: everything the head reaches, the
// seals, and nothing else.
func (l *Ledger) packetHistory(name string, chain []*Seal) (objectSet, []bundleRef, error) {
	head := object.NewHash(chain[len(chain)-1].Statement.Head)
	objects, err := reachableObjects(l.repo, head)
	if err != nil {
		return nil, nil, err
	}
	refs := []bundleRef{{"HEAD", head}, {unitRef(name), head}}
	for _, s := range chain {
		h := object.NewHash(s.Hash)
		t, data, err := l.repo.Object(h)
		if err != nil {
			return nil, nil, err
		}
		if s.keyFlaw != nil {
			return nil, nil, fmt.Errorf("the seal %s: its signature does not hold: %w", s.Name, s.keyFlaw)
		}
		objects[h] = object.Object{Type: t, Data: data}
		refs = append(refs, bundleRef{tagRefs + s.Name, h})
	}
	return objects, refs, nil
}

// claimedSigners lists every key that signed something in a packet, under the
// address its commits carry: an allowed-signers file for stock tools. It is made
// from the history, so it claims no more than the history does.
func claimedSigners(objects objectSet, chain []*Seal, packet ssh.PublicKey, shop string) []byte {
	who := map[string]string{} // principal by key
	names := map[string]string{}
	note := func(key ssh.PublicKey, principal, name string) {
		if key == nil {
			return
		}
		if cert, ok := key.(*ssh.Certificate); ok && len(cert.ValidPrincipals) > 0 {
			principal = strings.Join(cert.ValidPrincipals, ",")
		}
		k := authorized(key)
		if old, ok := who[k]; !ok || principal < old {
			who[k], names[k] = principal, name
		}
	}
	for _, o := range objects {
		switch o.Type {
		case object.TypeCommit:
			if c, err := parseCommit(o.Data); err == nil {
				name, mail := identOf(c.committer)
				note(c.check().key, mail, name)
			}
		case object.TypeTag:
			payload, _ := splitTag(o.Data)
			for _, s := range chain {
				if object.NewHash(s.Hash) == o.Hash() {
					name, mail := taggerOf(payload)
					note(s.key, mail, name)
				}
			}
		}
	}
	if _, ok := who[authorized(packet)]; !ok {
		// The key of the packet alone: the shop's, by its own word.
		who[authorized(packet)], names[authorized(packet)] = "shop", shop
	}
	var b strings.Builder
	b.WriteString("# Keys that signed something in this packet, as the packet itself says.\n# These are claims: hold a fingerprint against one you got another way.\n")
	for _, line := range slices.SortedFunc(maps.Keys(who), func(a, c string) int {
		return strings.Compare(who[a]+" "+a, who[c]+" "+c)
	}) {
		k := line
		key, err := parseKey(k)
		if err != nil {
			continue // nothing counts that is signed with it
		}
		option := ""
		if cert, ok := key.(*ssh.Certificate); ok {
			// Stock tools want the authority for a certificate.
			k, option = authorized(cert.SignatureKey), "cert-authority,"
		}
		fmt.Fprintf(&b, "# %s, %s\n%s %snamespaces=%q %s\n", names[line], Fingerprint(key), who[line], option, OwnNamespaces, k)
	}
	return []byte(b.String())
}

// identOf parts "Name <address>", and makes the address fit an allowed-signers
// file, where a space ends it and some characters have a meaning.
func identOf(s string) (name, mail string) {
	name, mail, _ = strings.Cut(strings.TrimSuffix(s, ">"), " <")
	mail = strings.Map(func(r rune) rune {
		if r <= ' ' || r > '~' || strings.ContainsRune(`"#,*?!`, r) {
			return '-'
		}
		return r
	}, mail)
	if mail == "" {
		mail = "unknown"
	}
	return strings.Map(func(r rune) rune {
		if Hidden(r) {
			return -1
		}
		return r
	}, name), mail
}

func taggerOf(payload []byte) (name, mail string) {
	_, rest, _ := bytes.Cut(payload, []byte("\ntagger "))
	line, _, _ := bytes.Cut(rest, []byte("> "))
	return identOf(string(line) + ">")
}

// writePacket packs the files without compression, under one time: the same
// files always give the same bytes, and a packet that was packed by anything
// else can be told.
func writePacket(files map[string][]byte, at time.Time) ([]byte, error) {
	date, clock := dosTime(at)
	return writePacketAt(files, date, clock)
}

func writePacketAt(files map[string][]byte, date, clock uint16) ([]byte, error) {
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range packetFiles {
		data, ok := files[name]
		if !ok {
			return nil, fmt.Errorf("the packet has no %s", name)
		}
		//lint:ignore SA1019 CreateRaw writes these two as they stand and does not look at Modified
		w, err := z.CreateRaw(&zip.FileHeader{Name: name, Method: zip.Store, CRC32: crc32.ChecksumIEEE(data), ModifiedDate: date, ModifiedTime: clock,
			CompressedSize64: uint64(len(data)), UncompressedSize64: uint64(len(data)), CreatorVersion: 3<<8 | 20, ReaderVersion: 20, ExternalAttrs: 0o100644 << 16})
		if err != nil {
			return nil, err
		}
		if _, err := w.Write(data); err != nil {
			return nil, err
		}
	}
	err := z.Close()
	return out.Bytes(), err
}

// dosTime gives a time as zip files keep it: local time, to two seconds, from
// 1980.
func dosTime(t time.Time) (date, clock uint16) {
	if t.Year() < 1980 || t.Year() > 2107 {
		return 1<<5 | 1, 0
	}
	return uint16(t.Day() | int(t.Month())<<5 | (t.Year()-1980)<<9), uint16(t.Second()/2 | t.Minute()<<5 | t.Hour()<<11)
}

// readPacket reads a packet from anybody: exactly the entries a packet has,
// packed exactly as [writePacket] packs them, so that no other program can see
// another content in the same file.
func readPacket(data []byte) (map[string][]byte, error) {
	if len(data) > maxPacket {
		return nil, fmt.Errorf("the file has %d bytes; a packet has at most %d", len(data), maxPacket)
	}
	// The end says how long the list of entries is. A packet's is short, and there
	// is nothing behind it: a list of millions is not even begun.
	const end, most = 22, 1024
	if len(data) < end {
		return nil, errors.New("the file is no zip: it was cut short, or it is something else")
	}
	tail := data[len(data)-end:]
	if string(tail[:4]) != "PK\x05\x06" || binary.LittleEndian.Uint32(tail[12:]) > most {
		return nil, errors.New("the file does not end as a packet does: it was cut short, packed anew, or is something else")
	}
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, fmt.Errorf("the file is no zip that can be read: %w", err)
	}
	if len(z.File) != len(packetFiles) {
		return nil, fmt.Errorf("the zip has %d entries; a packet has %d", len(z.File), len(packetFiles))
	}
	files := map[string][]byte{}
	for i, f := range z.File {
		if f.Name != packetFiles[i] {
			return nil, fmt.Errorf("entry %d of the zip is %.80q; in a packet it is %s", i+1, f.Name, packetFiles[i])
		}
		if f.Method != zip.Store || f.UncompressedSize64 > uint64(len(data)) {
			return nil, fmt.Errorf("%s is not packed as in a packet", f.Name)
		}
		r, err := f.Open()
		if err != nil {
			return nil, fmt.Errorf("%s in the zip: %w", f.Name, err)
		}
		// Bounded by the file itself: stored, not compressed.
		files[f.Name], err = io.ReadAll(io.LimitReader(r, int64(len(data))))
		if err := errors.Join(err, r.Close()); err != nil {
			return nil, fmt.Errorf("%s in the zip: %w", f.Name, err)
		}
	}
	// The time is the first entry's, as its head at the beginning has it.
	again, err := writePacketAt(files, binary.LittleEndian.Uint16(data[12:]), binary.LittleEndian.Uint16(data[10:]))
	if err != nil {
		return nil, err
	}
	if !bytes.Equal(again, data) {
		return nil, errors.New("the zip is not packed as a packet is, so that other programs might see other files in it; if it was packed anew, unpack it and verify the folder")
	}
	return files, nil
}
