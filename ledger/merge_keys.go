package ledger

import (
	"maps"
	"slices"
	"strings"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
)

// keyBlock is a line about a key, with the comments above it.
type keyBlock struct{ key, text string }

// keyBlocks takes a list of keys apart. What names no key stands for itself.
func keyBlocks(data []byte) []keyBlock {
	var out []keyBlock
	above := ""
	for line := range strings.Lines(string(data)) {
		line = strings.TrimRight(line, "\r\n")
		trimmed := strings.TrimSpace(line)
		if trimmed == "" || trimmed[0] == '#' {
			above += line + "\n"
			continue
		}
		out = append(out, keyBlock{keyOfLine(trimmed), above + line + "\n"})
		above = ""
	}
	if above != "" {
		out = append(out, keyBlock{above, above})
	}
	return out
}

// keyOfLine is the fingerprint of the key a line names, or the line.
func keyOfLine(line string) string {
	if word := strings.Fields(line)[0]; strings.HasPrefix(word, "SHA256:") {
		return word
	}
	if s, err := proof.ParseSignerLine(line); err == nil {
		return gitobj.Fingerprint(s.Key)
	}
	if k, _, _, _, err := ssh.ParseAuthorizedKey([]byte(line)); err == nil {
		return gitobj.Fingerprint(k)
	}
	return line
}

// keyLists merges signers and revoked by key. A key that one side took out of
// signers is out, whatever the other did to it; in revoked, a key that one side
// changed or put in is in.
func (m *merging) keyLists(c change3) (object.Hash, error) {
	var lists [3][]keyBlock
	var texts [3]map[string][]string // by key
	for i, h := range []object.Hash{c.base, c.ours, c.theirs} {
		texts[i] = map[string][]string{}
		if h.IsZero() {
			continue
		}
		data, err := m.l.repo.Blob(h)
		if err != nil {
			return h, err
		}
		lists[i] = keyBlocks(data)
		for _, b := range lists[i] {
			if !slices.Contains(texts[i][b.key], b.text) {
				texts[i][b.key] = append(texts[i][b.key], b.text)
			}
		}
	}
	removalWins := c.path == "signers"
	merged := func(key string) []string {
		base, ours, theirs := sorted(texts[0][key]), sorted(texts[1][key]), sorted(texts[2][key])
		switch {
		case slices.Equal(ours, theirs), slices.Equal(theirs, base):
			return ours
		case slices.Equal(ours, base):
			return theirs
		case removalWins && base != nil && (ours == nil || theirs == nil):
			return nil
		case removalWins && base != nil:
			// Changed on both sides: what both still say, else nothing.
			var both []string
			for _, t := range ours {
				if slices.Contains(theirs, t) {
					both = append(both, t)
				}
			}
			return both
		}
		return slices.Compact(sorted(append(ours, theirs...)))
	}
	var b strings.Builder
	seen := map[string]bool{}
	write := func(key string) {
		if seen[key] {
			return
		}
		seen[key] = true
		for _, t := range merged(key) {
			b.WriteString(t)
		}
	}
	// The order of the ancestor first, then what is new, by text.
	for _, k := range lists[0] {
		write(k.key)
	}
	fresh := map[string]bool{}
	for _, k := range slices.Concat(lists[1], lists[2]) {
		fresh[k.key] = true
	}
	for _, key := range slices.Sorted(maps.Keys(fresh)) {
		write(key)
	}
	return m.tx.WriteBlob([]byte(b.String()))
}

func sorted(list []string) []string {
	out := slices.Clone(list)
	slices.Sort(out)
	return out
}
