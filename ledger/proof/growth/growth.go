// Package growth holds the history of a unit against one rule: it only grows.
// Whoever owns a key may add to a history; nobody may change or take out what
// stands in it but by a correction that says what it changes. The rules are those
// of the table in DEVELOPERS.md. The package reads git's objects and what seals
// say; it knows no repository, no packet and no ledger, and looks no name up.
package growth

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// Attributes is what the .gitattributes of an instrument's folder says.
const Attributes = "* -text -filter -ident\n"

// Input is a history to be checked.
type Input struct {
	Objects gitobj.Objects
	Head    object.Hash
	Seals   []Seal    // every seal known of this unit, in any order
	UUID    string    // the unit's, where it is known already; "": what the history begins with
	Now     time.Time // commits dated later are told; the zero time tells none
	// Readable refuses a text before it is decoded, such as one that would take a
	// stack without end; nil refuses none.
	Readable func([]byte) error
	// Signatures has the commits' signatures checked and told. Without it they are
	// looked at only where a correction needs to know whose it is.
	Signatures bool
}

// Seal is what the rules need to know of a seal. Keys are fingerprints as
// ssh-keygen prints them: SHA256:...
type Seal struct {
	Name       string
	Digest     string // by which other seals refer to it
	Head, Root object.Hash
	Number     int
	UUID       string
	Sealed     time.Time
	Key        string   // that signed it; "": its signature does not hold
	Keys       []string // that its statement lists as the shop's
	Supersedes []string // digests
	Rotations  []Rotation
}

// Rotation is a change of keys whose two signatures hold.
type Rotation struct{ Old, New string }

// Level is how much a finding weighs.
type Level int

// The levels. What is told is part of an honest history.
const (
	Told Level = iota
	Forked
	Broken
)

func (l Level) String() string { return [...]string{"told", "forked", "broken"}[l] }

// Rule names what a finding is about, in JSON and in tests.
type Rule string

// The rules. See the table in DEVELOPERS.md.
const (
	RuleObject      Rule = "object"       // an object is missing or cannot be read
	RuleTangled     Rule = "tangled"      // more than is looked at
	RulePath        Rule = "path"         // a name that does not belong there, or looks like its neighbour
	RuleMode        Rule = "mode"         // neither a plain file nor a folder
	RuleGone        Rule = "gone"         // a path a parent has
	RuleNoReason    Rule = "no-reason"    // changed without a correction
	RuleFacts       Rule = "facts"        // the correction names other facts than those that changed
	RuleCorrections Rule = "corrections"  // earlier corrections changed, or several at once
	RuleIdentity    Rule = "identity"     // the UUID, and kinds of records
	RuleFormat      Rule = "format"       // went down
	RuleAttributes  Rule = "attributes"   // of .gitattributes
	RuleAttachment  Rule = "attachment"   // bytes changed, or came under a name in use
	RuleModel       Rule = "model"        // changed beside other files
	RuleMerge       Rule = "merge"        // says what no parent says, or drops what one does
	RuleSignature   Rule = "signature"    // does not hold
	RuleSeal        Rule = "seal"         // does not fit the history or the other seals
	RuleForked      Rule = "forked"       // two seals of one shop on two lines
	RuleUnsigned    Rule = "unsigned"     // told from here on
	RuleKey         Rule = "key"          // not listed by the seal over it
	RuleDate        Rule = "date"         // runs back, or lies ahead
	RuleFilled      Rule = "filled-in"    // a blank of instrument.toml
	RuleModelCopy   Rule = "model-copy"   // the model changed at a close
	RuleSetAside    Rule = "set-aside"    // a version that does not stand
	RuleBeginnings  Rule = "beginnings"   // a second beginning
	RuleLate        Rule = "entered-late" // dated before a seal it came after
	RuleUnnamed     Rule = "unnamed"      // an attachment that no record names
	RuleUnsealed    Rule = "unsealed"     // commits after the last seal
	RuleBeside      Rule = "beside"       // seals made without knowing one another
)

// Finding is one thing to be said of a history.
type Finding struct {
	Level   Level
	Rule    Rule
	Commit  object.Hash // zero: none
	Path    string      // in the instrument's folder, or a seal's name; "": none
	Was, Is object.Hash // blobs; zero: none
	Text    string      // what is so, without commit and path
}

func (f Finding) String() string {
	var at []string
	if f.Path != "" {
		at = append(at, fmt.Sprintf("%.120q", f.Path))
	}
	if !f.Commit.IsZero() {
		at = append(at, "commit "+f.Commit.String()[:10])
	}
	return strings.Join(at, " in ") + ": " + f.Text
}

// Corrected is one change of what a closed file said.
type Corrected struct {
	Commit     object.Hash
	Path       string
	Was, Is    object.Hash       // the two texts
	Correction schema.Correction // zero where only blanks were filled in
	Filled     []string          // facts of instrument.toml that were blank
	SetAside   []object.Hash     // other versions that a merge left standing for nothing
	By, Of     string            // shops: a key's fingerprint stands for one; "": not known
	Cross      bool              // one shop corrects what another wrote
	Bears      []string          // on what it bears: state, safety, fault, originality
}

// Result is what the rules say of a history.
type Result struct {
	Findings    []Finding // in the order of the history
	More        bool      // there is more; the check stopped
	Corrections []Corrected
	Commits     []object.Hash // parents first
	Roots       []object.Hash
	UUID        string

	shops map[object.Hash]string
}

// Worst is the gravest level found.
func (r *Result) Worst() Level {
	worst := Told
	for _, f := range r.Findings {
		worst = max(worst, f.Level)
	}
	return worst
}

// Broken lists the findings that break the history.
func (r *Result) Broken() []Finding {
	var out []Finding
	for _, f := range r.Findings {
		if f.Level == Broken {
			out = append(out, f)
		}
	}
	return out
}

// Shop is the shop a commit belongs to, by the fingerprint of the key that stands
// for all of it; "" where nobody can say.
func (r *Result) Shop(commit object.Hash) string { return r.shops[commit] }

// Bounds. An honest history stays far below them.
const (
	maxSteps   = 120_000_000 // entries of folders and commits looked at
	perChange  = 200         // steps that a file that differs counts for
	maxBytes   = 1 << 30     // of files read
	maxBroken  = 200
	maxTold    = 2000
	maxDepth   = 6
	maxParents = 64
)

var errStop = errors.New("enough was found")

// Check holds a history against the rules. An error is one of reading objects; what
// is missing or unreadable is a finding.
func Check(in Input) (*Result, error) {
	k := &checker{in: in, out: &Result{UUID: in.UUID, shops: map[object.Hash]string{}}, nodes: map[object.Hash]*node{},
		came: map[string]map[object.Hash][]object.Hash{}, versions: map[object.Hash]*read{}, named: map[object.Hash][]string{}}
	err := k.run()
	if errors.Is(err, errStop) {
		k.out.More, err = true, nil
	}
	slices.SortStableFunc(k.out.Findings, func(a, b Finding) int { return k.at(a.Commit) - k.at(b.Commit) })
	return k.out, err
}

func (k *checker) at(id object.Hash) int {
	if n := k.nodes[id]; n != nil {
		return n.index
	}
	return len(k.nodes)
}

// node is a commit of the history.
type node struct {
	Tree      object.Hash
	Parents   []object.Hash
	Committed time.Time
	id        object.Hash
	index     int
	height    int   // longest way to a root
	seal      *Seal // the first that covers it
	raw       []byte
	whole     *gitobj.Commit // where it was needed
}

// commit reads a commit whole, with its signature.
func (n *node) commit() (*gitobj.Commit, error) {
	var err error
	if n.whole == nil {
		n.whole, err = gitobj.ParseCommit(n.raw)
	}
	return n.whole, err
}

// parse reads what every commit is asked for. It takes a fifth of the time of
// reading it whole, and a ledger has very many; other lines than a commit of a
// unit's history has are refused all the same.
func (n *node) parse(raw []byte) error {
	n.raw = raw
	line := func(key string) ([]byte, bool) {
		rest, ok := bytes.CutPrefix(raw, []byte(key))
		text, after, ended := bytes.Cut(rest, []byte{'\n'})
		if !ok || !ended {
			return nil, false
		}
		raw = after
		return text, true
	}
	name := func(text []byte) (object.Hash, bool) {
		var h object.Hash
		k, err := hex.Decode(h[:min(len(h), len(text)/2)], text[:min(2*len(h), len(text)/2*2)])
		return h, err == nil && k == len(h) && len(text) == 2*len(h)
	}
	bad := errors.New("it is not written as a commit of a unit's history is")
	text, _ := line("tree ")
	ok := false
	if n.Tree, ok = name(text); !ok {
		return bad
	}
	for {
		text, more := line("parent ")
		if !more {
			break
		}
		p, ok := name(text)
		if !ok || slices.Contains(n.Parents, p) {
			return bad
		}
		n.Parents = append(n.Parents, p)
	}
	if _, ok := line("author "); !ok {
		return bad
	}
	who, ok := line("committer ")
	fields := bytes.Fields(who)
	if !ok || len(fields) < 3 {
		return bad
	}
	seconds, err := strconv.ParseInt(string(fields[len(fields)-2]), 10, 64)
	if err != nil {
		return bad
	}
	n.Committed = time.Unix(seconds, 0).UTC()
	if _, signed := line("gpgsig "); signed {
		for {
			if _, more := line(" "); !more {
				break
			}
		}
	}
	if len(raw) == 0 || raw[0] != '\n' {
		return bad
	}
	return nil
}

// read is a file read once.
type read struct {
	*schema.Version
	err error
}

type arrival struct {
	at   *node
	path string
	blob object.Hash
}

type checker struct {
	in    Input
	out   *Result
	nodes map[object.Hash]*node
	order []*node
	// came says where each version of each path came into the history.
	came     map[string]map[object.Hash][]object.Hash
	arrivals []arrival // of records
	versions map[object.Hash]*read
	named    map[object.Hash][]string // attachments a record names, by blob
	pending  []Corrected
	shop     *shops
	// The last folders read, and where the next one goes.
	folders    [8]folderRead
	nextFolder int
	steps      int
	bytes      int
	kept       int // bytes of the texts in versions
	told       int
	broken     int
}

func (k *checker) run() error {
	if err := k.walk(); err != nil {
		return err
	}
	for _, n := range k.order {
		if err := k.commit(n); err != nil {
			return err
		}
	}
	if err := k.tip(); err != nil {
		return err
	}
	k.shop = newShops(k.in.Seals)
	if err := k.seals(); err != nil {
		return err
	}
	if err := k.signatures(); err != nil {
		return err
	}
	if err := k.dates(); err != nil {
		return err
	}
	if err := k.late(); err != nil {
		return err
	}
	k.corrections()
	return nil
}

func (k *checker) find(f Finding) error {
	if f.Level == Told {
		if k.told++; k.told > maxTold {
			k.out.More = true
			return nil
		}
	} else if k.broken++; k.broken > maxBroken {
		return errStop
	}
	k.out.Findings = append(k.out.Findings, f)
	return nil
}

func (k *checker) breaks(n *node, path string, rule Rule, was, is object.Hash, format string, args ...any) error {
	f := Finding{Level: Broken, Rule: rule, Path: path, Was: was, Is: is, Text: fmt.Sprintf(format, args...)}
	if n != nil {
		f.Commit = n.id
	}
	return k.find(f)
}

func (k *checker) tells(n *node, path string, rule Rule, was, is object.Hash, format string, args ...any) error {
	f := Finding{Level: Told, Rule: rule, Path: path, Was: was, Is: is, Text: fmt.Sprintf(format, args...)}
	if n != nil {
		f.Commit = n.id
	}
	return k.find(f)
}

// step counts work, and gives up on a history that is made to cost more than any
// honest one.
func (k *checker) step(n int) error {
	if k.steps += n; k.steps <= maxSteps && k.bytes <= maxBytes {
		return nil
	}
	k.out.Findings = append(k.out.Findings, Finding{Level: Broken, Rule: RuleTangled, Text: "the history is larger or more tangled than any bench makes; the rest was not looked at"})
	return errStop
}

// object reads an object that must be there.
func (k *checker) object(n *node, id object.Hash, kind object.Type, by string) ([]byte, error) {
	got, data, err := k.in.Objects.Object(id)
	var missing *gitobj.MissingError
	switch {
	case errors.As(err, &missing):
		if err := k.breaks(n, by, RuleObject, object.Hash{}, id, "the %s %s is missing", kind, id); err != nil {
			return nil, err
		}
		return nil, errStop
	case err != nil:
		return nil, err
	case got != kind:
		if err := k.breaks(n, by, RuleObject, object.Hash{}, id, "%s is a %s where a %s is needed", id, got, kind); err != nil {
			return nil, err
		}
		return nil, errStop
	}
	return data, nil
}

// version reads a file for comparison.
func (k *checker) version(n *node, path string, blob object.Hash) (*read, error) {
	if v, ok := k.versions[blob]; ok {
		return v, nil
	}
	data, err := k.object(n, blob, object.TypeBlob, path)
	if err != nil {
		return nil, err
	}
	k.bytes += len(data)
	if err := k.step(1); err != nil {
		return nil, err
	}
	v := &read{}
	if k.in.Readable != nil {
		v.err = k.in.Readable(data)
	}
	if v.err == nil {
		v.Version, v.err = schema.ReadVersion(data)
	}
	const keep = 4 << 20 // bytes of text; tables take many times as much
	if k.kept += len(data); k.kept > keep {
		clear(k.versions)
		k.kept = len(data)
	}
	k.versions[blob] = v
	return v, nil
}

// walk reads the commits, parents before children.
func (k *checker) walk() error {
	type frame struct {
		n    *node
		next int
	}
	open := func(id object.Hash, by *node) (*node, error) {
		data, err := k.object(by, id, object.TypeCommit, "")
		if err != nil {
			return nil, err
		}
		n := &node{id: id, index: -1}
		k.nodes[id] = n
		if err = n.parse(data); err == nil && k.in.Signatures {
			_, err = n.commit()
		}
		if err == nil && len(n.Parents) > maxParents {
			err = fmt.Errorf("it has %d parents", len(n.Parents))
		}
		if err != nil {
			if err := k.breaks(n, "", RuleObject, object.Hash{}, id, "the commit cannot be read: %v", err); err != nil {
				return nil, err
			}
			return nil, errStop
		}
		return n, k.step(1)
	}
	first, err := open(k.in.Head, nil)
	if err != nil {
		return err
	}
	stack := []frame{{n: first}}
	for len(stack) > 0 {
		f := &stack[len(stack)-1]
		if f.next < len(f.n.Parents) {
			id := f.n.Parents[f.next]
			f.next++
			if k.nodes[id] == nil {
				n, err := open(id, f.n)
				if err != nil {
					return err
				}
				stack = append(stack, frame{n: n})
			}
			continue
		}
		n := f.n
		stack = stack[:len(stack)-1]
		n.index = len(k.order)
		for _, p := range n.Parents {
			n.height = max(n.height, k.nodes[p].height+1)
		}
		k.order = append(k.order, n)
		k.out.Commits = append(k.out.Commits, n.id)
		if len(n.Parents) == 0 {
			k.out.Roots = append(k.out.Roots, n.id)
		}
	}
	return nil
}

// descends reports whether a commit is another or follows it.
func (k *checker) descends(from, of *node) (bool, error) {
	if from == of {
		return true, nil
	}
	seen := map[*node]bool{from: true}
	queue := []*node{from}
	for len(queue) > 0 {
		n := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		for _, id := range n.Parents {
			p := k.nodes[id]
			switch {
			case p == of:
				return true, nil
			case seen[p] || p.height <= of.height:
			default:
				seen[p] = true
				queue = append(queue, p)
				if err := k.step(1); err != nil {
					return false, err
				}
			}
		}
	}
	return false, nil
}
