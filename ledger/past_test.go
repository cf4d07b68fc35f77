package ledger

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// TestHistoryGivenUp: two benches close a unit for the first time, each alone,
// and one of the two histories gives way to the other. Main still names the one
// that gave way, whose commits a later copy does not have. It must be passed
// over there: a record that is still open makes the walk go back that far.
func TestHistoryGivenUp(t *testing.T) {
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	a.job(lw)
	a.sync()
	b.sync()
	a.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
	b.add(lw, schema.KindFollowup, "state = \"faulty\"\nsaid_by = \"owner\"\n")
	b.now = b.now.Add(time.Hour)
	a.close(lw)
	gone := b.close(lw).Head
	open := a.add(lw, schema.KindNote, "title = \"heard by telephone\"\n")
	o.settled()

	c := &workshop{t: t, now: b.now}
	opt := c.options()
	opt.Author = b.opt.Author
	l, err := Join(context.Background(), o.bare, filepath.Join(t.TempDir(), "later"), opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	c.Ledger = l
	has := exec.Command("git", "cat-file", "-e", gone+"^{commit}")
	has.Dir = c.Dir
	if has.Run() == nil {
		t.Fatal("the later copy has the history that gave way: nothing is shown")
	}
	head := git(t, c.Dir, "rev-parse", unitRef(lw))
	if s := c.save(); len(s.Repaired) > 0 {
		t.Errorf("save moved the branch of %v", s.Repaired)
	}
	if got := git(t, c.Dir, "rev-parse", unitRef(lw)); got != head {
		t.Errorf("the branch is at %s, want %s", got, head)
	}
	c.inOrder()
	c.close(lw)
	git(t, c.Dir, "cat-file", "-e", "unit/"+lw+":"+filepath.Base(open))
	git(t, c.Dir, "merge-base", "--is-ancestor", head, "unit/"+lw)
	judge(t, c.Dir)
}

// TestPastIsKept: what a walk found and kept, and a few commits more, say what the
// whole walk says, whatever two benches do in the meantime.
func TestPastIsKept(t *testing.T) {
	defer func(n int) { longWalk = n }(longWalk)
	longWalk = 1
	o := newOffices(t, 2)
	a, b := o.bench[0], o.bench[1]
	other := "longwave-3/lw3-2871"
	a.unit(other)
	a.job(lw)
	a.close(lw)
	o.settled()
	random := rand.New(rand.NewPCG(12, 14))
	used := 0
	for turn := range 25 {
		did := ""
		switch random.IntN(6) {
		case 0:
			b.add(other, schema.KindNote, "note = \"at the other bench\"\n")
			did = "a note on the other unit"
		case 1:
			b.add(lw, schema.KindNote, "note = \"at the other bench\"\n")
			o.settled()
			did = "an exchange"
		case 2:
			a.add(lw, schema.KindNote, "note = \"at the end\"\n")
			a.close(lw)
			did = "a close"
		case 3:
			a.add(lw, schema.KindNote, "note = \"to be taken back\"\n")
			if _, _, err := a.Undo(lw); err != nil {
				t.Fatal(err)
			}
			did = "a record taken back"
		default:
			a.add(lw, schema.KindNote, "note = \"on\"\n")
			did = "a note"
		}
		head, _, err := a.mainTree()
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{lw, other} {
			if a.keptPast(name).Main != object.ZeroHash {
				used++
			}
			kept, err := a.past(name, head)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.Remove(a.pastFile(name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
				t.Fatal(err)
			}
			whole, err := a.past(name, head)
			if err != nil {
				t.Fatal(err)
			}
			if got, want := said(kept), said(whole); got != want {
				t.Fatalf("turn %d, after %s, %s:\n%s\nwant\n%s", turn, did, name, got, want)
			}
		}
	}
	if used < 5 {
		t.Errorf("something was kept only %d times of 50", used)
	}
}

// said writes down what the past of a unit says.
func said(p *past) string {
	var lines []string
	for what, m := range map[string]map[string]gitstore.Ident{"saved": p.saved, "changed": p.changed} {
		for path, who := range m {
			lines = append(lines, fmt.Sprintf("%s %s %s <%s> %s", what, path, who.Name, who.Email, who.When.Format("2006-01-02T15:04:05-0700")))
		}
	}
	slices.Sort(lines)
	return p.head.String() + "\n" + strings.Join(lines, "\n")
}
