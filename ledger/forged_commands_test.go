package ledger

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger/proof"
)

// TestForgedByCommands is a shop that took a unit over, wants something gone from its
// history, and has this program and stock git to do it with. Either no packet comes
// about, or whoever holds the packet it came with finds the new one broken.
func TestForgedByCommands(t *testing.T) {
	first, second := newKey(t, "ed25519"), newKey(t, "ed25519")
	w := newWorkshop(t)
	w.signWith(first)
	w.job(lw)
	w.close(lw)
	packet := w.packet(lw)
	branch, dir := "unit/"+lw, unitDir(lw)
	run := func(t *testing.T, b *workshop, args ...string) string { return git(t, b.Dir, args...) }
	// onto puts the branch, and main's folder, on a commit, as somebody would who wants
	// the two in step.
	onto := func(t *testing.T, b *workshop, head string) {
		run(t, b, "branch", "-f", branch, head)
		run(t, b, "rm", "-r", "-q", dir)
		run(t, b, "read-tree", "--prefix="+dir, head)
		run(t, b, "checkout-index", "-a", "-f")
		run(t, b, "commit", "-q", "--allow-empty", "-m", "tidy\n\nUnit-Head: "+lw+" "+head)
	}
	// tree is the branch's tree with a change made in a folder.
	tree := func(t *testing.T, b *workshop, at string, change func(dir string)) string {
		work := filepath.Join(t.TempDir(), "w")
		run(t, b, "worktree", "add", "-q", "--detach", work, at)
		change(work)
		git(t, work, "add", "-A")
		id := git(t, work, "write-tree")
		run(t, b, "worktree", "remove", "--force", work)
		return id
	}
	one := func(t *testing.T, dir, pattern string) string {
		list, err := filepath.Glob(filepath.Join(dir, pattern))
		if err != nil || len(list) == 0 {
			t.Fatalf("nothing fits %s: %v", pattern, err)
		}
		return list[0]
	}
	gone := func(t *testing.T, pattern string) func(string) {
		return func(dir string) {
			if err := os.Remove(one(t, dir, pattern)); err != nil {
				t.Fatal(err)
			}
		}
	}
	edited := func(t *testing.T, pattern, old, new string) func(string) {
		return func(dir string) { replace(t, one(t, dir, pattern), old, new) }
	}
	reworded := func(pattern, old, new string) func(t *testing.T, b *workshop) {
		return func(t *testing.T, b *workshop) {
			id := tree(t, b, branch, edited(t, pattern, old, new))
			onto(t, b, run(t, b, "commit-tree", "-S", id, "-p", branch, "-m", "tidy"))
		}
	}
	for name, forge := range map[string]func(t *testing.T, b *workshop){
		"a record taken out in a commit": func(t *testing.T, b *workshop) {
			onto(t, b, run(t, b, "commit-tree", "-S", tree(t, b, branch, gone(t, "*-parts-*.toml")), "-p", branch, "-m", "tidy"))
		},
		"a record that never was": func(t *testing.T, b *workshop) {
			onto(t, b, run(t, b, "commit-tree", "-S", tree(t, b, branch, gone(t, "*-parts-*.toml")), "-m", "a new beginning"))
		},
		"the history made one commit": func(t *testing.T, b *workshop) {
			onto(t, b, run(t, b, "commit-tree", "-S", branch+"^{tree}", "-m", "all of it"))
		},
		"the end cut off": func(t *testing.T, b *workshop) { onto(t, b, run(t, b, "rev-parse", branch+"~2")) },
		"a merge that drops a record": func(t *testing.T, b *workshop) {
			id := tree(t, b, branch, gone(t, "*-parts-*.toml"))
			onto(t, b, run(t, b, "commit-tree", "-S", id, "-p", branch, "-p", branch+"~2", "-m", "merged"))
		},
		"a release made better": reworded("*-release-*.toml", "by = \"mw\"", "by = \"mw\"\nnote = \"as good as it gets\""),
		"a part found in order": reworded("*-parts-*.toml", "failed", "ok"),
		"another day":           reworded("*-release-*.toml", "date = 2031", "date = 2030"),
		"another instrument":    reworded("instrument.toml", "uuid = \"", "uuid = \"0"),
		"another maker":         reworded("instrument.toml", "maker = \"", "maker = \"Old "),
		"a folder without rules": func(t *testing.T, b *workshop) {
			onto(t, b, run(t, b, "commit-tree", "-S", tree(t, b, branch, gone(t, ".gitattributes")), "-p", branch, "-m", "tidy"))
		},
		"a unit without a model": func(t *testing.T, b *workshop) {
			onto(t, b, run(t, b, "commit-tree", "-S", tree(t, b, branch, gone(t, "model.toml")), "-p", branch, "-m", "tidy"))
		},
		"the first seal deleted": func(t *testing.T, b *workshop) { run(t, b, "tag", "-d", strings.TrimSpace(run(t, b, "tag"))) },
		"a record that is a link": func(t *testing.T, b *workshop) {
			id := tree(t, b, branch, func(dir string) {
				p := one(t, dir, "*-release-*.toml")
				if err := os.Remove(p); err != nil {
					t.Fatal(err)
				}
				if err := os.Symlink("instrument.toml", p); err != nil {
					t.Fatal(err)
				}
			})
			onto(t, b, run(t, b, "commit-tree", "-S", id, "-p", branch, "-m", "tidy"))
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, "Lindgate Organ Works", "Tove Ashgrove", second)
			if _, err := b.Adopt(packet, AdoptOptions{By: "mw", Verify: trusting(first)}); err != nil {
				t.Fatalf("%v%s", err, drawings(err))
			}
			forge(t, b)
			b = b.again()
			b.later(1)
			_, sealed := b.Seal(lw, SealOptions{UnsignedHistory: true})
			data, _, err := b.Handover(lw, plainReports)
			if err != nil {
				return // nothing to show anybody
			}
			o := trusting(second)
			o.Earlier = [][]byte{packet}
			if v := proof.VerifyBytes(data, o); v.Verdict != proof.Broken {
				t.Errorf("it was handed over, and is %s (seal: %v)\n%s", v.Verdict, sealed, flaws(v))
			}
		})
	}
}
