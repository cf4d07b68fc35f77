package proof

import (
	"archive/zip"
	"bytes"
	"fmt"
	"hash/crc32"
	"maps"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
)

// NewPacket is what a packet is made from.
type NewPacket struct {
	Objects   gitobj.Set // everything the head reaches, and the tags of the seals
	Chain     []*Seal    // in order; the last one stands on the head
	Reports   Reports
	Signer    Signer
	Made      time.Time
	Rotations []SignedRotation // the shop's that the last seal does not carry
}

// MakePacket makes a packet. The same input, signer and time give the same bytes
// but for signatures that differ each time by their nature.
// Errors: *LimitError, and those of making the reports and of signing.
func MakePacket(p NewPacket) ([]byte, error) {
	if err := CheckLimits(p.Objects); err != nil {
		return nil, err
	}
	last := p.Chain[len(p.Chain)-1]
	for _, s := range p.Chain {
		if s.keyFlaw != nil {
			return nil, fmt.Errorf("the seal %s: its signature does not hold: %w", s.Name, s.keyFlaw)
		}
	}
	history, err := HistoryBundle(p.Objects, p.Chain)
	if err != nil {
		return nil, err
	}
	if len(history) > MaxBundle {
		return nil, &LimitError{fmt.Sprintf("the history would be packed into %d bytes; more than %d are not read by verify", len(history), MaxBundle)}
	}
	t, err := Travel(p.Objects, p.Chain)
	if err != nil {
		return nil, err
	}
	files, err := p.Reports.Make(t)
	if err != nil {
		return nil, err
	}
	if len(files[ReportData]) > MaxReport {
		return nil, &LimitError{fmt.Sprintf("%s would have %d bytes; more than %d are not read by verify", ReportData, len(files[ReportData]), MaxReport)}
	}
	key := p.Signer.PublicKey()
	files[BundleFile] = history
	files[SealFile] = last.Message
	files[ClaimsFile] = Claims(p.Objects, p.Chain, key)
	files[GuideFile] = Guide(p.Chain, p.Objects, key, p.Rotations)
	files[PacketFile] = (&PacketNote{Format: FormatPacket, Kind: "packet", UUID: last.Statement.UUID, SealSHA256: last.Digest, Made: p.Made, Rotations: p.Rotations}).encode()
	return signPacket(files, p.Signer, last.Statement.Sealed)
}

// signPacket sums the files up, signs the sums and packs all.
func signPacket(files map[string][]byte, signer Signer, at time.Time) ([]byte, error) {
	sums := map[string]string{}
	for _, f := range listedFiles {
		if files[f] == nil {
			return nil, fmt.Errorf("nothing was made for %s", f)
		}
		sums[f] = Digest(files[f])
	}
	files[SumsFile] = encodeSums(sums)
	var err error
	if files[SumsSigFile], err = signer.Sign(PacketNamespace, files[SumsFile]); err != nil {
		return nil, err
	}
	data, err := writePacket(files, at)
	if err != nil {
		return nil, err
	}
	if len(data) > MaxPacket {
		return nil, &LimitError{fmt.Sprintf("the packet would have %d bytes; more than %d are not read by verify", len(data), int64(MaxPacket))}
	}
	return data, nil
}

// HistoryBundle is the bundle of a packet: the unit's branch, its seals and HEAD.
func HistoryBundle(objects gitobj.Set, chain []*Seal) ([]byte, error) {
	last := chain[len(chain)-1]
	refs := []Ref{{"HEAD", last.head}, {UnitRef(last.Statement.Unit), last.head}}
	for _, s := range chain {
		refs = append(refs, Ref{TagRefs + s.Name, s.ID})
	}
	var b bytes.Buffer
	err := WriteBundle(&b, refs, objects)
	return b.Bytes(), err
}

// PacketName is what a unit's packet is called where nobody says otherwise.
func PacketName(st *Statement) string {
	return strings.ReplaceAll(st.Unit, "/", "-") + fmt.Sprintf("-seal-%d.zip", st.Number)
}

// Claims lists every key that signed something in a packet, under the address its
// commits carry: an allowed-signers file for stock tools. It is made from the
// history, so it claims no more than the history does.
func Claims(objects gitobj.Set, chain []*Seal, packet ssh.PublicKey) []byte {
	type holder struct{ principal, name, key string }
	who := map[string]holder{} // by key as OpenSSH writes it
	note := func(key ssh.PublicKey, by string) {
		name, mail := gitobj.Person(by)
		mail = principal(mail)
		line, option := gitobj.Authorized(key), ""
		if cert, ok := key.(*ssh.Certificate); ok {
			if len(cert.ValidPrincipals) > 0 {
				mail = strings.Join(cert.ValidPrincipals, ",")
			}
			// Stock tools want the authority for a certificate.
			line, option = gitobj.Authorized(cert.SignatureKey), "cert-authority,"
		}
		x := holder{mail, plainName(name), fmt.Sprintf("%s %snamespaces=%q %s", mail, option, OwnNamespaces, line)}
		k := gitobj.Authorized(key)
		if old, ok := who[k]; !ok || x.principal < old.principal || x.principal == old.principal && x.name < old.name {
			who[k] = x
		}
	}
	for _, o := range objects {
		if o.Type != object.TypeCommit {
			continue
		}
		if c, err := gitobj.ParseCommit(o.Data); err == nil {
			if key, err := c.Key(); err == nil && key != nil {
				note(key, c.Committer)
			}
		}
	}
	for _, s := range chain {
		if s.key != nil {
			note(s.key, s.Tagger)
		}
	}
	if _, ok := who[gitobj.Authorized(packet)]; !ok {
		// The key of the packet alone.
		note(packet, chain[len(chain)-1].Tagger)
	}
	var b strings.Builder
	b.WriteString("# Keys that signed something in this packet, as the packet itself says.\n# These are claims: hold a fingerprint against one you got another way.\n")
	keys := slices.Collect(maps.Keys(who))
	slices.SortFunc(keys, func(a, c string) int { return strings.Compare(who[a].principal+" "+a, who[c].principal+" "+c) })
	for _, k := range keys {
		key, err := gitobj.ParseKey(k)
		if err != nil {
			continue // nothing counts that is signed with it
		}
		fmt.Fprintf(&b, "# %s, %s\n%s\n", who[k].name, gitobj.Fingerprint(key), who[k].key)
	}
	return []byte(b.String())
}

// principal makes an address fit an allowed-signers file, where a space ends it
// and some characters have a meaning.
func principal(mail string) string {
	mail = strings.Map(func(r rune) rune {
		if r <= ' ' || r > '~' || strings.ContainsRune(`"#,*?!`, r) {
			return '-'
		}
		return r
	}, mail)
	if mail == "" {
		return "unknown"
	}
	return mail
}

// plainName takes out what does not show.
func plainName(name string) string {
	return OneLine(strings.Map(func(r rune) rune {
		if Hidden(r) {
			return -1
		}
		return r
	}, name))
}

// writePacket packs the files without compression, under one time: the same
// files always give the same bytes.
func writePacket(files map[string][]byte, at time.Time) ([]byte, error) {
	date, clock := dosTime(at)
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
