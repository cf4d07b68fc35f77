package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger/gitstore"
)

// TestPacksAsItGoes: commands pack what they leave, here and in the shared
// folder, as soon as git would, without a word; and not where git is told not to.
func TestPacksAsItGoes(t *testing.T) {
	longRound(t)
	w := newTrade(t)
	office, bare := w.office, w.bare
	packs := func(dir string) string {
		out, err := gitOut(dir, "count-objects", "-v")
		if err != nil {
			t.Fatal(out, err)
		}
		_, out, _ = strings.Cut(out, "packs: ")
		n, _, _ := strings.Cut(out, "\n")
		return n
	}
	config := func(dir, auto string) {
		if out, err := gitOut(dir, "config", "gc.auto", auto); err != nil {
			t.Fatal(out, err)
		}
	}
	note := func(i int) string {
		return must(t, office, "record", "note", "--unit", openUnit, "--title", fmt.Sprintf("note-%d", i))
	}
	config(office, "0")
	config(bare, "0")
	for i := range 4 {
		note(i)
	}
	// Git counts the objects whose names begin with 17.
	for i, made := 0, 0; made < 3; i++ {
		text := fmt.Sprintf("%d\n", i)
		if gitstore.HashBlob([]byte(text))[0] != 0x17 {
			continue
		}
		made++
		write(t, filepath.Join(w.top, "text"), text)
		for _, dir := range []string{office, bare} {
			w.git(dir, "hash-object", "-w", filepath.Join(w.top, "text"))
		}
	}
	if n := packs(office); n != "0" {
		t.Fatalf("%s packs, and gc.auto is 0", n)
	}
	config(office, "1")
	first := note(60)
	if n := packs(office); n != "1" {
		t.Errorf("%s packs after a command, want one", n)
	}
	if want := note(61); strings.Count(first, "\n") != strings.Count(want, "\n") {
		t.Errorf("packing was told of:\n%s", first)
	}
	config(bare, "1")
	must(t, office, "sync")
	if n := packs(bare); n != "1" {
		t.Errorf("%s packs in the shared folder, want one", n)
	}
	must(t, office, "check")
	must(t, office, "sync")
	if err := judged(office); err != nil {
		t.Error(err)
	}
	if out, err := gitOut(bare, "fsck", "--strict", "--no-dangling", "--no-progress"); err != nil || out != "" {
		t.Errorf("git fsck in the shared folder: %v %s", err, out)
	}
}
