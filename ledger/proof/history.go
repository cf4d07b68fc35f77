package proof

import (
	"container/heap"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"sort"
	"strings"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// history is a unit's own history, each object read once.
type history struct {
	from    gitobj.Objects
	commits map[object.Hash]*gitobj.Commit
	trees   map[object.Hash][]gitobj.Entry
	diffs   map[[2]object.Hash][]change
	files   map[object.Hash]int // below a tree
	steps   int                 // entries looked at so far
	changes int                 // differences found so far
}

func newHistory(from gitobj.Objects) *history {
	return &history{from: from, commits: map[object.Hash]*gitobj.Commit{}, trees: map[object.Hash][]gitobj.Entry{},
		diffs: map[[2]object.Hash][]change{}, files: map[object.Hash]int{}}
}

// errSteps ends a walk that could go on for ever.
var errSteps = fmt.Errorf("its commits hold more than %d entries to be compared, or %d differences", MaxSteps, MaxChanges)

func (h *history) spend(n int) error {
	if h.steps += n; h.steps > MaxSteps {
		return errSteps
	}
	return nil
}

func (h *history) commit(id object.Hash) (*gitobj.Commit, error) {
	if c, ok := h.commits[id]; ok {
		return c, nil
	}
	c, err := gitobj.ReadCommit(h.from, id)
	if err != nil {
		return nil, err
	}
	h.commits[id] = c
	return c, nil
}

func (h *history) tree(id object.Hash) ([]gitobj.Entry, error) {
	if id.IsZero() {
		return nil, nil
	}
	if e, ok := h.trees[id]; ok {
		return e, nil
	}
	e, err := gitobj.ReadTree(h.from, id)
	if err != nil {
		return nil, err
	}
	h.trees[id] = e
	return e, nil
}

func (h *history) blob(id object.Hash) ([]byte, error) {
	return gitobj.Read(h.from, id, object.TypeBlob)
}

// log lists the commits a head reaches, each after its parents; where the history
// parted, by the committer's date and then by name.
func (h *history) log(head object.Hash) ([]object.Hash, error) {
	children := map[object.Hash][]object.Hash{}
	waits := map[object.Hash]int{}
	queue := []object.Hash{head}
	seen := map[object.Hash]bool{head: true}
	ready := &byDate{h: h}
	for len(queue) > 0 {
		id := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		c, err := h.commit(id)
		if err != nil {
			return nil, fmt.Errorf("commit %s: %w", id, err)
		}
		if len(seen) > MaxCommits {
			return nil, fmt.Errorf("it has more than %d commits", MaxCommits)
		}
		if waits[id] = len(c.Parents); len(c.Parents) == 0 {
			heap.Push(ready, id)
		}
		for _, p := range c.Parents {
			children[p] = append(children[p], id)
			if !seen[p] {
				seen[p] = true
				queue = append(queue, p)
			}
		}
	}
	var out []object.Hash
	for ready.Len() > 0 {
		id := heap.Pop(ready).(object.Hash)
		out = append(out, id)
		for _, c := range children[id] {
			if waits[c]--; waits[c] == 0 {
				heap.Push(ready, c)
			}
		}
	}
	return out, nil
}

// Log lists the commits a head reaches, each after its parents; where the history
// parted, by the committer's date and then by name.
func Log(from gitobj.Objects, head object.Hash) ([]object.Hash, error) {
	return newHistory(from).log(head)
}

// byDate orders commits that are ready to be told.
type byDate struct {
	h   *history
	ids []object.Hash
}

func (b *byDate) Len() int { return len(b.ids) }
func (b *byDate) Less(i, j int) bool {
	x, y := b.h.commits[b.ids[i]].Committed, b.h.commits[b.ids[j]].Committed
	if !x.Equal(y) {
		return x.Before(y)
	}
	return b.ids[i].Compare(b.ids[j]) < 0
}
func (b *byDate) Swap(i, j int) { b.ids[i], b.ids[j] = b.ids[j], b.ids[i] }
func (b *byDate) Push(x any)    { b.ids = append(b.ids, x.(object.Hash)) }
func (b *byDate) Pop() any {
	last := b.ids[len(b.ids)-1]
	b.ids = b.ids[:len(b.ids)-1]
	return last
}

// change is one path that differs between two trees; a zero name is no file.
type change struct {
	path          string
	before, after object.Hash
}

// diff lists the files that differ between two trees, in order of path.
func (h *history) diff(before, after object.Hash) ([]change, error) {
	if before == after {
		return nil, nil
	}
	if d, ok := h.diffs[[2]object.Hash{before, after}]; ok {
		return d, h.spend(len(d))
	}
	a, err := h.tree(before)
	if err != nil {
		return nil, err
	}
	b, err := h.tree(after)
	if err != nil {
		return nil, err
	}
	if err := h.spend(len(a) + len(b)); err != nil {
		return nil, err
	}
	var out []change
	below := func(name string, before, after object.Hash) error {
		d, err := h.diff(before, after)
		for _, c := range d {
			c.path = name + "/" + c.path
			out = append(out, c)
		}
		return err
	}
	one := func(e gitobj.Entry, gone bool) error {
		var x, y object.Hash
		if gone {
			x = e.ID
		} else {
			y = e.ID
		}
		if e.Mode == gitobj.ModeTree {
			return below(e.Name, x, y)
		}
		out = append(out, change{e.Name, x, y})
		return nil
	}
	for len(a) > 0 || len(b) > 0 {
		var err error
		switch {
		case len(b) == 0 || len(a) > 0 && sortName(a[0]) < sortName(b[0]):
			err = one(a[0], true)
			a = a[1:]
		case len(a) == 0 || sortName(b[0]) < sortName(a[0]):
			err = one(b[0], false)
			b = b[1:]
		default:
			if a[0].ID != b[0].ID {
				if a[0].Mode == gitobj.ModeTree {
					err = below(a[0].Name, a[0].ID, b[0].ID)
				} else {
					out = append(out, change{a[0].Name, a[0].ID, b[0].ID})
				}
			}
			a, b = a[1:], b[1:]
		}
		if err != nil {
			return nil, err
		}
	}
	if h.changes += len(out); h.changes > MaxChanges {
		return nil, errSteps
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].path < out[j].path })
	h.diffs[[2]object.Hash{before, after}] = out
	return out, nil
}

// sortName is the name git sorts an entry by.
func sortName(e gitobj.Entry) string {
	if e.Mode == gitobj.ModeTree {
		return e.Name + "/"
	}
	return e.Name
}

// filesBelow counts the files a tree unfolds to, up to a bound: folders that hold
// one another many times over unfold to more than any disk holds.
func (h *history) filesBelow(tree object.Hash, depth int) int {
	if n, ok := h.files[tree]; ok {
		return n
	}
	n := 0
	if depth > 2*maxFolders {
		return MaxFiles + 1
	}
	entries, _ := h.tree(tree)
	for _, e := range entries {
		if e.Mode == gitobj.ModeTree {
			n += h.filesBelow(e.ID, depth+1)
		} else {
			n++
		}
		n = min(n, MaxFiles+1)
	}
	h.files[tree] = n
	return n
}

// digestFiles takes the SHA-256 of every file of a tree. known keeps those taken
// already.
func (h *history) digestFiles(tree object.Hash, known map[object.Hash]string) (map[string]string, error) {
	files, err := h.diff(object.ZeroHash, tree)
	if err != nil {
		return nil, err
	}
	out := make(map[string]string, len(files))
	for _, f := range files {
		d, ok := known[f.after]
		if !ok {
			data, err := h.blob(f.after)
			if err != nil {
				return nil, err
			}
			d = Digest(data)
			known[f.after] = d
		}
		out[f.path] = d
	}
	return out, nil
}

// links lists the objects an object names, with their types.
func links(t object.Type, data []byte) ([]link, error) {
	switch t {
	case object.TypeCommit:
		c, err := gitobj.ParseCommit(data)
		if err != nil {
			return nil, err
		}
		out := []link{{c.Tree, object.TypeTree}}
		for _, p := range c.Parents {
			out = append(out, link{p, object.TypeCommit})
		}
		return out, nil
	case object.TypeTree:
		entries, err := gitobj.ParseTree(data)
		if err != nil {
			return nil, err
		}
		out := make([]link, 0, len(entries))
		for _, e := range entries {
			switch e.Mode {
			case gitobj.ModeTree:
				out = append(out, link{e.ID, object.TypeTree})
			case gitobj.ModeFile:
				out = append(out, link{e.ID, object.TypeBlob})
			default:
				return nil, fmt.Errorf("%.80q is %s; a unit's history holds plain files and folders only", e.Name, modeText(e.Mode))
			}
		}
		return out, nil
	case object.TypeTag:
		tag, err := gitobj.ParseTag(data)
		if err != nil {
			return nil, err
		}
		return []link{{tag.Object, object.TypeCommit}}, nil
	}
	return nil, nil
}

// Links lists the objects an object names.
func Links(o object.Object) ([]object.Hash, error) {
	l, err := links(o.Type, o.Data)
	out := make([]object.Hash, len(l))
	for i := range l {
		out[i] = l[i].id
	}
	return out, err
}

type link struct {
	id object.Hash
	t  object.Type
}

func modeText(mode string) string {
	switch mode {
	case "120000":
		return "a symbolic link"
	case "160000":
		return "another repository (a submodule)"
	case "100755":
		return "marked executable"
	}
	return fmt.Sprintf("of the mode %.10q", mode)
}

// Reach reads everything a commit reaches, within the limits on a history.
func Reach(from gitobj.Objects, head object.Hash) (gitobj.Set, error) {
	out := gitobj.Set{}
	var size int64
	queue := []object.Hash{head}
	for len(queue) > 0 {
		id := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		if _, ok := out[id]; ok {
			continue
		}
		t, data, err := from.Object(id)
		if err != nil {
			return nil, err
		}
		o := object.Object{Type: t, Data: data}
		if o.Hash() != id {
			return nil, fmt.Errorf("the %s %s is not what its name says", t, id)
		}
		out[id] = o
		if err := withinLimits(len(out), int64(len(data)), size); err != nil {
			return nil, err
		}
		size += int64(len(data))
		l, err := links(t, data)
		if err != nil {
			return nil, fmt.Errorf("%s %s: %w", t, id, err)
		}
		for _, x := range l {
			queue = append(queue, x.id)
		}
	}
	return out, nil
}

// LimitError says that a history is larger than anybody would read.
type LimitError struct{ What string }

func (e *LimitError) Error() string { return e.What }

// Hint names the next step.
func (e *LimitError) Hint() string {
	return "leave large files out of the unit's folder: keep them where they are, and name their place in a note"
}

func withinLimits(n int, object, before int64) error {
	switch {
	case n > MaxObjects:
		return &LimitError{fmt.Sprintf("the history has more than %d objects", MaxObjects)}
	case object > MaxObject:
		return &LimitError{fmt.Sprintf("a file in the history has %d bytes; more than %d are not read by verify", object, MaxObject)}
	case before+object > MaxHistory:
		return &LimitError{fmt.Sprintf("the history has more than the %d bytes that verify reads", int64(MaxHistory))}
	}
	return nil
}

// CheckLimits refuses a history that verify would not read. close, seal and
// handover ask it, so that nobody is handed such a packet.
// Errors: *LimitError, and those of reading.
func CheckLimits(objects gitobj.Set) error {
	var size, text int64
	commits := 0
	n := 0
	for _, o := range objects {
		if err := withinLimits(n+1, int64(len(o.Data)), size); err != nil {
			return err
		}
		n, size = n+1, size+int64(len(o.Data))
		switch o.Type {
		case object.TypeCommit:
			if commits++; commits > MaxCommits {
				return &LimitError{fmt.Sprintf("the history has more than %d commits", MaxCommits)}
			}
		case object.TypeBlob:
			if len(o.Data) <= schema.MaxSize && isText(o.Data) {
				text += int64(len(o.Data))
			}
		}
	}
	if text > MaxText {
		return &LimitError{fmt.Sprintf("the records of the history, all their versions together, have more than %d bytes", MaxText)}
	}
	return nil
}

// isText tells records from pictures, roughly: pictures hold zeros.
func isText(data []byte) bool { return !slices.Contains(data[:min(len(data), 8000)], 0) }

// SealedObjects gathers what a seal on a head covers that no earlier one does:
// everything it reaches, less what the heads of the seals before reach. It
// returns the number and the digest a statement carries.
func SealedObjects(from gitobj.Objects, head object.Hash, before []object.Hash) (int, string, error) {
	all, err := Reach(from, head)
	if err != nil {
		return 0, "", err
	}
	for _, b := range before {
		old, err := Reach(from, b)
		if err != nil {
			return 0, "", err
		}
		for id := range old {
			delete(all, id)
		}
	}
	var ids []object.Hash
	for id := range all {
		ids = append(ids, id)
	}
	lines := map[object.Hash]string{}
	sum := digestLines(ids, func(id object.Hash) string { return objectLine(lines, id, all[id]) })
	return len(ids), sum, nil
}

// objectLine is the line of one object in the digest of all, kept once made.
func objectLine(known map[object.Hash]string, id object.Hash, o object.Object) string {
	line, ok := known[id]
	if !ok {
		line = fmt.Sprintf("%s %s %s\n", id, o.Type, Digest(o.Data))
		known[id] = line
	}
	return line
}

// digestLines takes the SHA-256 over one line for each object, in order of name.
// What rests on SHA-1 alone rests on this as well.
func digestLines(ids []object.Hash, line func(object.Hash) string) string {
	slices.SortFunc(ids, object.Hash.Compare)
	sum := sha256.New()
	for _, id := range ids {
		io.WriteString(sum, line(id))
	}
	return hex.EncodeToString(sum.Sum(nil))
}

// SealedFiles takes the SHA-256 of every file of a commit.
func SealedFiles(from gitobj.Objects, head object.Hash) (map[string]string, error) {
	h := newHistory(from)
	c, err := h.commit(head)
	if err != nil {
		return nil, err
	}
	return h.digestFiles(c.Tree, map[object.Hash]string{})
}

// Step is one step of a history: a commit and the files it touched.
type Step struct {
	Commit  string     `json:"commit"`
	Subject string     `json:"subject"`
	Author  string     `json:"author"`
	Saved   time.Time  `json:"saved"`                  // author date: when it was first saved
	Closed  time.Time  `json:"closed"`                 // committer date
	Signed  string     `json:"signedBy,omitempty"`     // fingerprint of the key, the signature checked; "" unsigned
	Bad     string     `json:"badSignature,omitempty"` // why a signature does not hold
	Files   []FileStep `json:"files"`
}

// FileStep is what one commit did to one file.
type FileStep struct {
	Path    string          `json:"path"`
	What    string          `json:"what"` // new, changed, removed
	Changes []schema.Change `json:"changes,omitempty"`
	Reason  string          `json:"reason,omitempty"` // of a correction
}

// Steps walks a history from its beginning. A merge is a step of its own only
// where it has what none of its parents has.
func Steps(from gitobj.Objects, head object.Hash) ([]Step, error) {
	return newHistory(from).tell(head)
}

func (h *history) tell(head object.Hash) ([]Step, error) {
	order, err := h.log(head)
	if err != nil {
		return nil, err
	}
	var out []Step
	for _, id := range order {
		c := h.commits[id]
		before := []object.Hash{{}}
		if len(c.Parents) > 0 {
			before = before[:0]
			for _, p := range c.Parents {
				before = append(before, h.commits[p].Tree)
			}
		}
		if slices.Contains(before, c.Tree) {
			continue
		}
		diff, err := h.diff(before[0], c.Tree)
		if err != nil {
			return nil, err
		}
		for _, b := range before[1:] {
			other, err := h.diff(b, c.Tree)
			if err != nil {
				return nil, err
			}
			differs := map[string]bool{}
			for _, d := range other {
				differs[d.path] = true
			}
			diff = slices.DeleteFunc(slices.Clone(diff), func(d change) bool { return !differs[d.path] })
		}
		if len(diff) == 0 {
			continue
		}
		author, _ := gitobj.Person(c.Author)
		s := Step{Commit: id.String(), Subject: strings.SplitN(c.Message, "\n", 2)[0], Author: author, Saved: c.Authored, Closed: c.Committed}
		switch key, err := c.Key(); {
		case err != nil:
			s.Bad = fmt.Sprintf("commit %s: its signature: %v", id, err)
		case key != nil:
			s.Signed = gitobj.Fingerprint(key)
		case c.OtherSignature():
			s.Bad = fmt.Sprintf("commit %s: its signature: it is not an SSH signature", id)
		}
		for _, d := range diff {
			f, err := h.fileStep(d)
			if err != nil {
				return nil, err
			}
			s.Files = append(s.Files, f)
		}
		out = append(out, s)
	}
	return out, nil
}

func (h *history) fileStep(d change) (FileStep, error) {
	f := FileStep{Path: d.path, What: "changed"}
	switch {
	case d.before.IsZero():
		f.What = "new"
	case d.after.IsZero():
		f.What = "removed"
	case strings.HasSuffix(d.path, ".toml"):
		a, err := h.blob(d.before)
		if err != nil {
			return f, err
		}
		b, err := h.blob(d.after)
		if err != nil {
			return f, err
		}
		if errors.Join(CheckNesting(a), CheckNesting(b)) != nil {
			return f, nil // the commit shows it
		}
		if f.Changes, err = schema.Compare(a, b); err != nil {
			f.Changes = nil // one of the versions is no TOML; the commit shows it
		}
		f.Reason = newReason(d.path, a, b)
	}
	return f, nil
}

// newReason is the reason of the correction the later version has and the
// earlier has not.
func newReason(p string, before, after []byte) string {
	a, b := corrections(p, before), corrections(p, after)
	if len(b) > len(a) {
		return b[len(b)-1].Reason
	}
	return ""
}

func corrections(p string, data []byte) []schema.Correction {
	if p == "instrument.toml" {
		if i, _ := schema.Decode[schema.Instrument](p, data); i != nil {
			return i.Corrections
		}
		return nil
	}
	if rec, _ := schema.DecodeRecord(p, data); rec != nil {
		return rec.Head().Corrections
	}
	return nil
}
