package ledger

import (
	"context"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

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
