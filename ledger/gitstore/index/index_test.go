package index

import (
	"bytes"
	"slices"
	"testing"

	gogit "github.com/go-git/go-git/v5/plumbing/format/index"
	"pgregory.net/rapid"

	"benchlore/ledger/gitstore/object"
)

// The codec agrees with go-git's on what both can express, in every version.
func TestIndexCodecRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		names := rapid.SliceOfNDistinct(rapid.StringMatching(`[a-c]{1,3}(/[a-z]{1,40}){0,3}`), 0, 20, rapid.ID[string]).Draw(rt, "names")
		idx := &Index{version: uint32(rapid.IntRange(2, 4).Draw(rt, "version"))}
		u := rapid.Uint32()
		for _, n := range names {
			e := Entry{Name: n, Mode: 0o100644, Stat: Stat{ctimeSec: u.Draw(rt, "n"), mtimeSec: u.Draw(rt, "n"), size: u.Draw(rt, "n"), ino: u.Draw(rt, "n")}}
			e.Hash[3] = byte(len(n))
			if rapid.Bool().Draw(rt, "ita") {
				e.ext = extIntentToAdd
			}
			if rapid.Bool().Draw(rt, "assume") {
				e.flags = flagAssumeValid
			}
			idx.Entries = append(idx.Entries, e)
		}
		slices.SortFunc(idx.Entries, Compare)
		idx.keep = []extension{{"REUC", []byte("kept")}}
		b := encoded(t, idx)
		back, err := decode(b)
		if err != nil {
			rt.Fatal(err)
		}
		if !slices.Equal(back.Entries, idx.Entries) || !bytes.Equal(encoded(t, back), b) {
			rt.Fatalf("%+v became %+v", idx.Entries, back.Entries)
		}
		idx.keep = nil
		var theirs gogit.Index
		if err := gogit.NewDecoder(bytes.NewReader(encoded(t, idx))).Decode(&theirs); err != nil {
			rt.Fatal(err)
		}
		for i, e := range theirs.Entries {
			if o := idx.Entries[i]; e.Name != o.Name || object.Hash(e.Hash) != o.Hash || e.Size != o.Stat.size || e.IntentToAdd != o.IntentToAdd() {
				rt.Fatalf("go-git reads %+v", e)
			}
		}
	})
}

func FuzzDecodeIndex(f *testing.F) {
	f.Add(encoded(f, &Index{version: 2, Entries: []Entry{{Name: "a/b", Mode: 0o100644}, {Name: "c", Mode: 0o120000, flags: flagAssumeValid}},
		keep: []extension{{"REUC", []byte("kept")}}}))
	f.Add(encoded(f, &Index{version: 4, Entries: []Entry{{Name: "a/b"}, {Name: "a/c"}}}))
	f.Fuzz(func(t *testing.T, b []byte) {
		// Without a valid checksum nothing beyond it is ever reached.
		if len(b) >= 20 {
			clear(b[len(b)-20:])
		}
		idx, err := decode(b)
		if err != nil {
			return
		}
		back, err := decode(encoded(t, idx))
		if err != nil || !slices.Equal(back.Entries, idx.Entries) {
			t.Errorf("did not survive: %v", err)
		}
	})
}

func encoded(t testing.TB, idx *Index) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := idx.Encode(&b, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}
