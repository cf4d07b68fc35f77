//go:build !js

package proof

import (
	_ "embed"
	"fmt"
	"strings"
	"text/template"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
)

//go:embed guide.txt
var guideSource string

// guideText is VERIFY.txt. Lines that begin with four spaces are commands, to be
// run one after another as they stand; lines that begin with "  | " are part of
// what the command before must print.
var guideText = template.Must(template.New(GuideFile).Parse(guideSource))

type guideSeal struct {
	Tag, Key, Shop, Digest, Head, Objects string
	Number, Count                         int
	Before                                []string // heads of the seals it supersedes
	Names                                 []string // their digests
}

type guideRotation struct {
	Tag      string // of the seal that carries it; "": packet.toml
	N        int
	Old, New string
}

// Guide writes VERIFY.txt for one packet. It follows from the history and the
// files, so it can be written again and compared. more are the rotations of
// packet.toml.
func Guide(chain []*Seal, objects gitobj.Set, key ssh.PublicKey, more []SignedRotation) []byte {
	last := chain[len(chain)-1]
	st := last.Statement
	data := struct {
		Unit, UUID, Shop, Sealed, File, Key, Head, Branch, Short string
		Number                                                   int
		Signed, Letters                                          []string
		Unsigned                                                 bool
		Keys                                                     []struct{ Shop, Key string }
		Last                                                     guideSeal
		Seals                                                    []guideSeal
		Rotations                                                []guideRotation
	}{Unit: st.Unit, UUID: st.UUID, Shop: plainName(st.Shop.Name), Sealed: st.Sealed.Format(time.DateOnly), File: PacketName(st), Head: st.Head,
		Branch: "unit/" + st.Unit, Short: last.Short(), Number: st.Number, Signed: listedFiles}
	if key != nil {
		data.Key = gitobj.Fingerprint(key)
	}
	good, none := 0, 0
	for _, o := range objects {
		if o.Type != object.TypeCommit {
			continue
		}
		signed := false
		if c, err := gitobj.ParseCommit(o.Data); err == nil {
			k, err := c.Key()
			signed = err == nil && k != nil
		}
		if signed {
			good++
		} else {
			none++
		}
	}
	if good > 0 {
		data.Letters = append(data.Letters, fmt.Sprintf("%d G", good))
	}
	if none > 0 {
		data.Letters = append(data.Letters, fmt.Sprintf("%d N", none))
		data.Unsigned = true
	}
	byDigest := map[string]*Seal{}
	told := map[string]bool{}
	tellKey := func(shop, key string) {
		if shop = plainName(shop); !told[shop+" "+key] {
			told[shop+" "+key] = true
			data.Keys = append(data.Keys, struct{ Shop, Key string }{shop, key})
		}
	}
	tellRotations := func(tag string, list []SignedRotation) {
		for i := range list {
			r, err := list[i].parse()
			if err != nil || told[list[i].Text] {
				continue
			}
			told[list[i].Text] = true
			from, err1 := gitobj.ParseKey(r.Old)
			to, err2 := gitobj.ParseKey(r.New)
			if err1 == nil && err2 == nil {
				data.Rotations = append(data.Rotations, guideRotation{tag, i + 1, gitobj.Fingerprint(from), gitobj.Fingerprint(to)})
			}
		}
	}
	for _, s := range chain {
		byDigest[s.Digest] = s
		x := guideSeal{Tag: s.Name, Key: s.Fingerprint(), Shop: plainName(s.Statement.Shop.Name), Digest: s.Digest, Head: s.Statement.Head,
			Objects: s.Statement.ObjectsSHA256, Number: s.Statement.Number, Count: len(s.Statement.Files), Names: s.Statement.Supersedes}
		for _, d := range s.Statement.Supersedes {
			if older := byDigest[d]; older != nil {
				x.Before = append(x.Before, older.Statement.Head)
			}
		}
		data.Seals = append(data.Seals, x)
		data.Last = x
		tellKey(s.Statement.Shop.Name, s.Fingerprint())
		for _, line := range s.Statement.Shop.Keys {
			if k, err := gitobj.ParseKey(line); err == nil {
				tellKey(s.Statement.Shop.Name, gitobj.Fingerprint(k))
			}
		}
		tellRotations(s.Name, s.Statement.Rotations)
	}
	tellRotations("", more)
	var b strings.Builder
	if err := guideText.Execute(&b, data); err != nil {
		panic(err) // the template and the value above are one piece
	}
	return []byte(b.String())
}
