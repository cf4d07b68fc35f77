package ledger

import (
	"fmt"
	"strings"
	"text/template"
	"time"

	"benchlore/ledger/gitstore/object"
)

// guideText is VERIFY.txt. Lines that begin with four spaces are commands, to be
// run one after another as they stand; lines that begin with "  | " are part of
// what the command before must print.
var guideText = template.Must(template.New(guideFile).Parse(`HOW TO CHECK THIS PACKET WITHOUT THE PROGRAM THAT MADE IT

This packet is the service history of one instrument:

  unit       {{.Unit}}
  identity   {{.UUID}}
  sealed by  {{.Shop}}
  on         {{.Sealed}} (by that shop's own clock), seal number {{.Number}}

What you need: unzip, sha256sum, git (2.34 or later) and ssh-keygen (OpenSSH 8.9
or later), in a shell: a terminal on Linux or macOS, Git Bash on Windows. Where
there is no sha256sum, write "shasum -a 256" for it.

Lines that begin with four spaces are commands: copy them one after another, in
one terminal. A line that begins with | is part of what must come out. If it does
not, the packet is not what was signed: stop, and ask the shop.


1. UNPACK IT INTO AN EMPTY FOLDER

Copy the zip file there and give its own name, if it has another one by now.

    unzip -q {{.File}}


2. WHO SIGNED IT?

    ssh-keygen -Y check-novalidate -n benchlore-packet -s statement.toml.sig < statement.toml
  | Good "benchlore-packet" signature
  | {{.Key}}

The long word that begins with SHA256: is the fingerprint of the key. Anybody can
make a key and write any name beside it, in this file too. So hold it against one
that reached you another way: telephone the shop, on a number that you did not
take from this packet, and have the fingerprint read out; or find it on the
shop's own site, or on paper from the shop. Is it the same? Then what follows was
signed by the shop. The file "signers" in this packet proves nothing by itself:
it says what the packet claims.


3. ARE THE FILES THE ONES THAT WERE SIGNED?

    sed -n '/^\[files\]$/,$ s/^"\(.*\)" = "\([0-9a-f]*\)"$/\2  \1/p' statement.toml | sha256sum -c
{{range .Signed}}  | {{.}}: OK
{{end}}

4. OPEN THE HISTORY

    git clone -q history.bundle history
    git -C history fsck --strict
    git -C history rev-parse HEAD
  | {{.Head}}

The folder "history" now holds the records as text, and git shows how each came
about: git -C history log -p


5. WHO SIGNED WHICH PART?
{{range .Benches}}
  by {{.Shop}}: {{.Key}}{{end}}

    git -C history -c gpg.ssh.allowedSignersFile="$PWD/signers" log --format='%h %cs %G? %GF %cn'
    git -C history -c gpg.ssh.allowedSignersFile="$PWD/signers" log --format=%G? | sort | uniq -c
{{range .Letters}}  | {{.}}
{{end}}
G is a signature that holds, N is none; the fingerprint of the key stands beside
it. B or any other letter is a reason to stop.{{if .Unsigned}} This history has commits without a
signature: only the seals vouch for them.{{end}}


6. ARE THE SEALS THE ONES THAT WERE SIGNED?

A seal is a signed statement over everything up to then. Each names the digest of
the one before, and statement.toml names that of the last.

    grep '^seal_sha256 = ' statement.toml
  | {{.Last.Digest}}
{{range .Seals}}    git -C history -c gpg.ssh.allowedSignersFile="$PWD/signers" verify-tag {{.Tag}}
  | Good "git" signature
  | {{.Key}}
    git -C history cat-file tag {{.Tag}} | sha256sum
  | {{.Digest}}
{{if .Previous}}    git -C history cat-file tag {{.Tag}} | grep '^previous = '
  | {{.Previous}}
{{end}}{{end}}

7. IS THE HISTORY THE ONE THAT WAS SEALED?

Git names things by SHA-1. The seal holds SHA-256 digests of the same things, so
that nothing rests on SHA-1 alone. First the files as they are now, then all that
the history ever held.

    git -C history cat-file tag {{.Last.Tag}} | sed -n '/^\[files\]$/,/^-----BEGIN/ s/^"\(.*\)" = "\([0-9a-f]*\)"$/\2  \1/p' > sealed-files
    (cd history && sha256sum -c ../sealed-files) | grep -c ': OK$'
  | {{.Count}}
    git -C history ls-files | grep -c .
  | {{.Count}}
    git -C history rev-list --objects HEAD | cut -c1-40 | LC_ALL=C sort | while read o; do t=$(git -C history cat-file -t $o); echo $o $t $(git -C history cat-file $t $o | sha256sum | cut -c1-64); done | sha256sum
  | {{.Objects}}
    git -C history cat-file tag {{.Last.Tag}} | grep '^objects_sha256 = '
  | {{.Objects}}
{{if .Rotations}}

8. THE SHOP CHANGED ITS KEY

Each change is a statement signed with the old key and with the new one. It
stands in the seal.
{{range .Rotations}}
    git -C history cat-file tag {{.Tag}} | awk '/^statement = /{n++; if (n == {{.N}}) {on = 1; next}} /^\047\047\047/{on = 0} on' > rotation
    git -C history cat-file tag {{.Tag}} | awk '/^old_signature = /{n++; if (n == {{.N}}) {on = 1; next}} /^\]/{on = 0} on' | sed 's/^  "\(.*\)",$/\1/' > rotation-old.sig
    git -C history cat-file tag {{.Tag}} | awk '/^new_signature = /{n++; if (n == {{.N}}) {on = 1; next}} /^\]/{on = 0} on' | sed 's/^  "\(.*\)",$/\1/' > rotation-new.sig
    ssh-keygen -Y check-novalidate -n benchlore-rotation -s rotation-old.sig < rotation
  | {{.Old}}
    ssh-keygen -Y check-novalidate -n benchlore-rotation -s rotation-new.sig < rotation
  | {{.New}}
{{end}}{{end}}

WHAT THIS DOES NOT PROVE

- That the work was done. A signature shows who vouches for the records, and that
  they have not been changed since.
- When it was done, or signed. Dates are the signer's own.
- That there is no other version of this history. If you have an earlier packet,
  or a label with a code from inside the instrument, its commit must be part of
  this history: git -C history merge-base --is-ancestor COMMIT HEAD && echo yes

The reports in this packet are made from the history. Whether they say what it
says is checked by the program itself, which makes them once more:
benchlore verify {{.File}}
with --expect-key and the fingerprint the shop told you.
`))

type guideSeal struct{ Tag, Key, Digest, Previous string }

type guideRotation struct {
	Tag      string
	N        int
	Old, New string
}

// guide writes VERIFY.txt for one packet. It follows from the history and the
// files, so it can be written again and compared.
func guide(chain []*Seal, objects objectSet, key string) []byte {
	last := chain[len(chain)-1]
	st := last.Statement
	data := struct {
		Unit, UUID, Shop, Sealed, File, Key, Head, Objects string
		Number, Count                                      int
		Signed, Letters                                    []string
		Unsigned                                           bool
		Benches                                            []struct{ Shop, Key string }
		Last                                               guideSeal
		Seals                                              []guideSeal
		Rotations                                          []guideRotation
	}{Unit: st.Unit, UUID: st.UUID, Shop: oneLine(st.Shop.Name), Sealed: st.Sealed.Format(time.DateOnly), File: PacketName(st), Key: key,
		Head: st.Head, Objects: st.ObjectsSHA256, Number: st.Number, Count: len(st.Files)}
	data.Signed = packetFiles[:len(packetFiles)-2]
	good, none := 0, 0
	for _, o := range objects {
		if o.Type != object.TypeCommit {
			continue
		}
		if c, err := parseCommit(o.Data); err == nil && c.check().key != nil {
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
	told := map[string]bool{}
	for _, s := range chain {
		x := guideSeal{s.Name, s.Fingerprint(), s.Digest, s.Statement.Previous}
		data.Seals = append([]guideSeal{x}, data.Seals...)
		data.Last = x
		b := struct{ Shop, Key string }{oneLine(s.Statement.Shop.Name), s.Fingerprint()}
		if !told[b.Shop+b.Key] {
			told[b.Shop+b.Key] = true
			data.Benches = append(data.Benches, b)
		}
		for i := range s.Statement.Rotations {
			r, err := s.Statement.Rotations[i].parse()
			if err != nil || told[s.Statement.Rotations[i].Text] {
				continue
			}
			told[s.Statement.Rotations[i].Text] = true
			from, _ := parseKey(r.Old)
			to, _ := parseKey(r.New)
			data.Rotations = append(data.Rotations, guideRotation{s.Name, i + 1, Fingerprint(from), Fingerprint(to)})
		}
	}
	var b strings.Builder
	if err := guideText.Execute(&b, data); err != nil {
		panic(err) // the template and the value above are one piece
	}
	return []byte(b.String())
}

// oneLine keeps what somebody wrote from looking like lines of the guide's own.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
