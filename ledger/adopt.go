package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/sshkey"
	"benchlore/ledger/proof"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// AdoptOptions are what somebody decided about a packet.
type AdoptOptions struct {
	As     string // model/tag here; "": as the other bench calls it
	By     string // the technician who receives the unit
	Trust  bool   // accept a key there is no reason to trust yet
	Verify proof.Options
}

// Adopted is what adopting a packet did.
type Adopted struct {
	Result
	From         string              `json:"from"` // shop
	Received     string              `json:"received,omitempty"`
	Seals        []string            `json:"seals"` // new here
	Notes        []string            `json:"notes"`
	Verification *proof.Verification `json:"verification"`
}

// UntrustedError says that a packet is intact and nobody vouches for its key.
type UntrustedError struct{ Key string }

func (e *UntrustedError) Error() string {
	return fmt.Sprintf("the packet is intact, but it is signed by %s, a key there is no reason to trust yet", e.Key)
}

// Hint names the next step.
func (e *UntrustedError) Hint() string {
	return "have the fingerprint read out by the shop, on a number that is not from the packet, and give what you hear with --expect-key; or accept the key unseen with --trust"
}

// BrokenError carries why a packet was not let in.
type BrokenError struct{ Verification *proof.Verification }

func (e *BrokenError) Error() string {
	if e.Verification.Verdict == proof.Unreadable {
		return "the packet is written in a way this program does not read; nothing was taken in"
	}
	return "the packet is broken; nothing was taken in"
}

// Hint names the next step.
func (e *BrokenError) Hint() string {
	if e.Verification.Verdict == proof.Unreadable {
		return "a newer program may have written it: upgrade this one"
	}
	return "ask for a new one from whoever handed it over"
}

// Adopt takes a unit over from another bench: its history as it is, its seals,
// and on top of it this bench's own record that it was received. The packet is
// checked in memory first, and nothing is written unless all of it holds and
// continues whatever is held of the unit already.
// Errors: *BrokenError, *UntrustedError, *UsageError, *ProblemsError.
func (l *Ledger) Adopt(packet []byte, o AdoptOptions) (Adopted, error) {
	v := proof.VerifyBytes(packet, o.Verify)
	out := Adopted{Verification: v, Seals: []string{}, Notes: []string{}}
	switch {
	case v.Verdict == proof.Broken || v.Verdict == proof.Unreadable || v.Travelled() == nil:
		return out, &BrokenError{v}
	case v.Verdict == proof.Untrusted && !o.Trust:
		return out, &UntrustedError{v.Key}
	}
	if l.repo.Shallow || l.repo.Partial {
		return out, l.partOnly("adopt")
	}
	signer, err := l.unitSigner()
	if err != nil {
		return out, err
	}
	a := &adopting{l: l, v: v, o: o, out: &out, signer: signer, head: object.NewHash(v.Head)}
	if v.Verdict == proof.Uncompared {
		out.Notes = append(out.Notes, "the report that came along could not be compared with the history; what is taken in is the history")
	}
	last := v.Chain()[len(v.Chain())-1].Statement
	out.From = last.Shop.Name
	out.Result, err = l.update(func(w *writer) error {
		a.w = w
		if err := a.name(); err != nil {
			return err
		}
		if err := errors.Join(a.clock(), a.held()); err != nil {
			return err
		}
		if err := a.history(); err != nil {
			return err
		}
		if err := a.knowledge(); err != nil {
			return err
		}
		return a.receive()
	})
	return out, err
}

// adopting is one packet on its way in.
type adopting struct {
	l      *Ledger
	w      *writer
	v      *proof.Verification
	o      AdoptOptions
	out    *Adopted
	signer sshkey.Signer

	unit string // model/tag here
	old  object.Hash
	left object.Hash // where a branch stands whose unit is no longer in the ledger
	head object.Hash
	note *Adoption // of an earlier adoption; nil: none
}

// name finds what the unit is called here. Its identity decides: a unit that is
// held already keeps its name.
func (a *adopting) name() error {
	units, err := a.l.Units()
	if err != nil {
		return err
	}
	for _, u := range units {
		data, err := a.l.read(unitDir(u) + "/instrument.toml")
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		if i, _ := schema.Decode[schema.Instrument](u, data); i != nil && i.UUID == a.v.UUID {
			if a.o.As != "" && a.o.As != u {
				return &UsageError{fmt.Sprintf("this instrument is in the ledger already, as %s", u), "leave out --as: a unit keeps its name"}
			}
			a.unit = u
			return nil
		}
	}
	a.unit = a.v.Unit
	if a.o.As != "" {
		a.unit = a.o.As
	}
	if err := checkUnit(a.unit); err != nil {
		return err
	}
	if _, err := a.l.root.Lstat(unitDir(a.unit)); err == nil {
		return &UsageError{fmt.Sprintf("there is another instrument called %s here", a.unit), "give this one another name: --as MODEL/TAG"}
	}
	return a.forgotten(units)
}

// forgotten looks among the branches of units that are no longer in the ledger:
// a copy of this one there may hold what the packet leaves out.
func (a *adopting) forgotten(units []string) error {
	refs, err := a.l.repo.Refs(unitRefs)
	if err != nil {
		return err
	}
	here := map[string]bool{}
	for _, u := range units {
		here[u] = true
	}
	for _, ref := range slices.Sorted(maps.Keys(refs)) {
		u := strings.TrimPrefix(ref, unitRefs)
		if here[u] {
			continue
		}
		id, err := a.l.identity(u)
		switch {
		case err != nil:
			return err
		case id == a.v.UUID:
			if a.v.HasCommit(object.Hash(refs[ref])) && u == a.unit {
				a.left = refs[ref]
				continue
			}
			return &UsageError{fmt.Sprintf("there is a branch unit/%s of this instrument, which is no longer in the ledger", u),
				"if the packet continues it, adopt the unit under that name: --as " + u + "; else ask the other bench which commits it had"}
		case u == a.unit:
			return &UsageError{fmt.Sprintf("there is a branch unit/%s already, of a unit that is no longer in the ledger", u), "give this one another name: --as MODEL/TAG"}
		}
	}
	return nil
}

// clock refuses a history that is dated more than a day ahead: what this bench
// writes would come before it.
func (a *adopting) clock() error {
	now := a.l.opt.Now()
	if t := a.v.Latest; t != nil && t.After(now.AddDate(0, 0, 1)) {
		return &UsageError{fmt.Sprintf("the unit's history is dated up to %s, and now it is %s", t.Format(time.DateTime), now.Format(time.DateTime)),
			"set the clock of this computer; if it is right, the other bench's was wrong: adopt the packet once that day has come"}
	}
	day := schema.NewDate(now.AddDate(0, 0, 1))
	if files := a.v.Travelled().Unit.Files; len(files) > 0 {
		if d := files[len(files)-1].Record.Head().Date; day.Before(d.Day) {
			return &UsageError{fmt.Sprintf("the unit's last record is of %s, and today is %s", d, a.l.Today()), "set the clock of this computer"}
		}
	}
	return nil
}

// held makes sure that the packet continues what is held of the unit.
func (a *adopting) held() error {
	l := a.l
	var err error
	if a.note, err = l.adoption(a.unit); err != nil {
		return err
	}
	if _, err := l.root.Lstat(unitDir(a.unit)); err != nil {
		a.old = a.left
		return nil // new here
	}
	p, err := l.past(a.unit, a.w.head)
	if err != nil {
		return err
	}
	want, have, err := l.branch(a.unit, p)
	if err != nil {
		return err
	}
	if want != have {
		return &UsageError{a.unit + ": its branch is behind what was closed on main", "run: benchlore save"}
	}
	if have.IsZero() {
		return &UsageError{fmt.Sprintf("%s is here with records that were never closed, and under the same identity", a.unit),
			"somebody copied its folder: take that one out, then adopt the packet"}
	}
	tree, err := l.branchTree(have)
	if err != nil {
		return err
	}
	if sub, _, err := l.repo.TreeAt(a.w.tree, unitDir(a.unit)); err != nil {
		return err
	} else if sub.Hash != tree {
		return &UsageError{fmt.Sprintf("%s has records here that are not closed", a.unit), "close them or take them back first: the packet would not have them"}
	}
	if have == a.head {
		return &UsageError{fmt.Sprintf("%s is here already, with the same history", a.unit), "there is nothing to adopt"}
	}
	if ok, err := l.repo.Has(a.head); err != nil {
		return err
	} else if ok {
		if ok, err = l.repo.IsAncestor(a.head, have); err != nil {
			return err
		} else if ok {
			return &UsageError{fmt.Sprintf("%s holds all of this packet already, and goes on after it", a.unit), "there is nothing to adopt"}
		}
	}
	if o, ok := a.v.Objects()[object.Hash(have)]; !ok || o.Type != object.TypeCommit {
		return &UsageError{fmt.Sprintf("the packet does not continue the history held here: it lacks commit %s, with which that of %s ends", have.String()[:10], a.unit),
			"one of the two was forked or shortened; ask the other bench which commits it had, and adopt neither until it is settled"}
	}
	a.old = have
	return nil
}

// history brings in the objects, the branch and the seals as they are.
func (a *adopting) history() error {
	l, w := a.l, a.w
	if err := l.unsaved(w.tree, unitDir(a.unit)); err != nil {
		return err
	}
	objects := a.v.Objects()
	for _, h := range slices.SortedFunc(maps.Keys(objects), object.Hash.Compare) {
		o := objects[h]
		got, err := w.tx.WriteObject(object.Type(o.Type), o.Data)
		if err != nil {
			return err
		}
		if got != object.Hash(h) {
			return fmt.Errorf("%s %s came in as %s", o.Type, h, got)
		}
	}
	for _, s := range a.v.Chain() {
		h := object.Hash(s.ID)
		have, ok, err := l.repo.Ref(tagRefs + s.Name)
		switch {
		case err != nil:
			return err
		case ok && have != h:
			return &UsageError{fmt.Sprintf("there is another seal called %s here", s.Name), "two seals of one name cannot both be right; compare them with git cat-file tag"}
		case !ok:
			w.units = append(w.units, gitstore.RefUpdate{Name: tagRefs + s.Name, New: h})
			a.out.Seals = append(a.out.Seals, s.Name)
		}
	}
	tree, err := l.branchTree(a.head)
	if err != nil {
		return err
	}
	files, err := l.repo.DiffTrees(object.ZeroHash, tree)
	if err != nil {
		return err
	}
	for _, f := range files {
		data, err := l.repo.Blob(f.New.Hash)
		if err != nil {
			return err
		}
		w.put(unitDir(a.unit)+"/"+f.Path, data)
	}
	return nil
}

// knowledge takes in what the unit needs and the shop does not have: the model,
// and families it names. What the shop has stays as it is.
func (a *adopting) knowledge() error {
	l, w, t := a.l, a.w, a.v.Travelled()
	stock, err := l.Catalog()
	if err != nil {
		return err
	}
	if err := a.families(stock); err != nil {
		return err
	}
	model := modelOf(a.unit)
	travelling, ok := t.Files[unitDir(a.v.Unit)+"/model.toml"]
	have := stock.Models[model]
	switch {
	case have == nil && ok:
		w.put("models/"+model+".toml", travelling)
		a.out.Notes = append(a.out.Notes, fmt.Sprintf("models/%s.toml is the one that came with the unit", model))
	case have == nil:
		return &UsageError{fmt.Sprintf("the packet has no model file, and there is no models/%s.toml here", model), "write one first; it may start with nothing but its sections"}
	case !strings.EqualFold(have.Maker, t.Unit.Model.Maker) || !strings.EqualFold(have.Name, t.Unit.Model.Name):
		return &UsageError{fmt.Sprintf("models/%s.toml here is the %s %s, and the unit is a %s %s", model, have.Maker, have.Name, t.Unit.Model.Maker, t.Unit.Model.Name),
			"give the model another name here: --as MODEL/TAG"}
	default:
		if own, _, err := w.committed("models/" + model + ".toml"); err != nil {
			return err
		} else if ok && string(own) != string(travelling) {
			a.out.Notes = append(a.out.Notes, fmt.Sprintf("models/%s.toml stays as it is here; the one that came with the unit is in its folder", model))
		}
	}
	// The unit must read here as it did there.
	elsewhere := proof.Benches(a.v.Chain(), a.foreign)
	tree, err := l.branchTree(a.head)
	if err != nil {
		return err
	}
	if have == nil {
		stock.Models[model] = t.Unit.Model
	}
	here, err := l.loadWith(a.unit, stock, treeSource{l, tree, unitDir(a.unit)}, elsewhere)
	if err != nil {
		return err
	}
	if worse := newErrors(renamed(t.Problems, a.v.Unit, a.unit), here.Problems); len(worse) > 0 {
		return &ProblemsError{fmt.Sprintf("%s does not fit models/%s.toml as it is here: bring that up to date first, from model.toml in the packet, or adopt the unit under another model with --as", a.unit, model), worse}
	}
	return nil
}

// renamed is problems with the paths they have under another name of the unit.
func renamed(list []schema.Problem, from, to string) []schema.Problem {
	out := slices.Clone(list)
	for i := range out {
		out[i].File = strings.Replace(out[i].File, unitDir(from)+"/", unitDir(to)+"/", 1)
	}
	return out
}

// families adds the other bench's own families that are not known here.
func (a *adopting) families(stock *Catalog) error {
	var added []string
	var text []byte
	for _, s := range a.v.Chain() {
		for i := range s.Statement.Families {
			f := s.Statement.Families[i]
			if _, known := stock.Families[f.Name]; !known {
				stock.Families[f.Name] = f
				text = append(text, schema.EncodeTable("family", &f)...)
				added = append(added, string(f.Name))
			}
		}
	}
	if added == nil {
		return nil
	}
	if err := a.l.unsaved(a.w.tree, "families.toml"); err != nil {
		return err
	}
	data, _, err := a.w.committed("families.toml")
	if err != nil {
		return err
	}
	data = append(slices.Clip(data), text...)
	if f, problems := schema.Decode[schema.Families]("families.toml", data); f == nil || schema.Worst(problems) > schema.Warned {
		return &ProblemsError{"the families that came with the unit cannot be taken in", problems}
	}
	a.w.put("families.toml", data)
	a.out.Notes = append(a.out.Notes, "families.toml now has: "+strings.Join(added, ", "))
	return nil
}

// foreign reports whether a seal is another bench's: it came in with this packet
// or an earlier one.
func (a *adopting) foreign(s *proof.Seal) bool {
	return slices.Contains(a.out.Seals, s.Name) || a.note != nil && slices.Contains(a.note.Seals, s.Name)
}

// receive writes this bench's own record on top, and notes who let the unit in.
func (a *adopting) receive() error {
	l, w := a.l, a.w
	last := a.v.Chain()[len(a.v.Chain())-1].Statement
	day := l.Today()
	file, err := a.newRecordName(day)
	if err != nil {
		return err
	}
	seq := 1
	for _, f := range a.v.Travelled().Unit.Files {
		if h := f.Record.Head(); h.Date == day {
			seq = max(seq, h.Seq+1)
		}
	}
	rec := &schema.Custody{Common: schema.Common{Kind: schema.KindCustody, Date: day, By: a.o.By, Seq: seq,
		Note: fmt.Sprintf("taken over with its history, as sealed by %s under number %d", proof.OneLine(last.Shop.Name), last.Number)},
		Event: schema.CustodyReceived}
	text := schema.Encode(rec)
	if r, problems := schema.DecodeRecord(file, text); r == nil || schema.Worst(problems) > schema.Warned {
		return &ProblemsError{"the record of its arrival", problems}
	}
	blob, err := w.tx.WriteBlob(text)
	if err != nil {
		return err
	}
	tree, err := l.branchTree(a.head)
	if err != nil {
		return err
	}
	if tree, err = w.tx.UpdateTree(tree, map[string]*object.Hash{file: &blob}); err != nil {
		return err
	}
	committer, author, err := l.unitIdents()
	if err != nil {
		return err
	}
	head, err := w.tx.WriteCommit(gitstore.CommitSpec{Tree: tree, Parents: []object.Hash{a.head}, Author: author, Committer: committer, Sign: a.signer,
		Message: message(fmt.Sprintf("%s %s", day, schema.KindCustody), []trailer{{"Record", file}, {"Instrument", a.v.UUID}})})
	if err != nil {
		return err
	}
	w.put(unitDir(a.unit)+"/"+file, text)
	note := &Adoption{Format: proof.FormatAdoption, UUID: a.v.UUID, From: proof.OneLine(last.Shop.Name), Unit: a.v.Unit, Head: a.v.Head, Key: a.v.Key, By: a.o.By, Date: day,
		Accepted: proof.OneLine(a.v.Why)}
	if a.v.Verdict == proof.Untrusted {
		note.Accepted = "unseen, with --trust"
	}
	seals := map[string]bool{}
	for _, s := range a.v.Chain() {
		if a.foreign(s) {
			seals[s.Name] = true
		}
	}
	note.Seals = slices.Sorted(maps.Keys(seals))
	w.put(adoptionFile(a.unit), note.encode())
	w.units = append(w.units, gitstore.RefUpdate{Name: unitRef(a.unit), Old: a.old, New: head})
	w.trailers = append(w.trailers, trailer{headTrailer, a.unit + " " + head.String()})
	w.marker = true
	w.subject = fmt.Sprintf("adopt %s from %s", a.unit, proof.OneLine(last.Shop.Name))
	w.result.Unit, w.result.Head, w.result.Commits, w.result.Signed = a.unit, head.String(), 1, fingerprint(a.signer)
	if a.signer == nil {
		a.out.Notes = append(a.out.Notes, "the record of its arrival is not signed, since git has no key to sign with: a seal will need --unsigned-history")
	}
	for _, s := range a.v.Chain() {
		if a.foreign(s) && strings.EqualFold(proof.OneLine(s.Statement.Shop.Name), proof.OneLine(l.Shop.Name)) {
			a.out.Notes = append(a.out.Notes, fmt.Sprintf("%s says that it is this shop's own, and it was not here: its records are taken for another bench's", s.Name))
		}
	}
	a.out.Received = unitDir(a.unit) + "/" + file
	return a.grows(head)
}

// grows holds what the unit's history will be here against the rules, with the seals
// that came and those that are here: this bench may have sealed something else.
func (a *adopting) grows(head object.Hash) error {
	chain := slices.Clone(a.v.Chain())
	if a.note != nil || !a.old.IsZero() {
		own, err := a.l.Seals(a.unit)
		if err != nil {
			return err
		}
		for _, s := range own {
			if !slices.ContainsFunc(chain, func(x *proof.Seal) bool { return x.Digest == s.Digest }) {
				chain = append(chain, s)
			}
		}
	}
	return a.l.onlyGrows(a.unit, packetCopy, head, proof.Order(chain))
}

// newRecordName is newName for a folder that is not on disk yet.
func (a *adopting) newRecordName(day schema.Date) (string, error) {
	for {
		p, err := a.l.newName(unitDir(a.unit), day, string(schema.KindCustody))
		if err != nil {
			return "", err
		}
		letters := p[len(p)-len("7q3f.toml"):]
		if !slices.ContainsFunc(slices.Collect(maps.Keys(a.v.Travelled().Files)), func(q string) bool { return strings.HasSuffix(q, letters) }) {
			return path.Base(p), nil
		}
	}
}

// adoptedDir holds one file for each unit that came from another bench. It
// stays in the shop: what travels says the same by its seals.
const adoptedDir = "adopted"

// Adoption is adopted/<model>/<tag>.toml: where a unit came from, and who let it
// in on what grounds.
type Adoption struct {
	Format   int         `toml:"format"`
	UUID     string      `toml:"uuid"`
	From     string      `toml:"from"` // the shop that handed it over
	Unit     string      `toml:"unit"` // model/tag, as that shop calls it
	Head     string      `toml:"head"` // the commit it came with
	Key      string      `toml:"key"`  // fingerprint of the key that signed the packet
	Accepted string      `toml:"accepted"`
	By       string      `toml:"by"`
	Date     schema.Date `toml:"date"`
	Seals    []string    `toml:"seals"` // the tags of the other benches' seals
}

func adoptionFile(name string) string { return adoptedDir + "/" + name + ".toml" }

func (a *Adoption) encode() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "format = %d\nuuid = %s\nfrom = %s\nunit = %s\nhead = %s\nkey = %s\naccepted = %s\nby = %s\ndate = %s\nseals = [\n",
		a.Format, proof.Quote(a.UUID), proof.Quote(a.From), proof.Quote(a.Unit), proof.Quote(a.Head), proof.Quote(a.Key), proof.Quote(a.Accepted), proof.Quote(a.By), a.Date)
	for _, s := range a.Seals {
		b.WriteString("  " + proof.Quote(s) + ",\n")
	}
	b.WriteString("]\n")
	return []byte(b.String())
}

func parseAdoption(p string, data []byte) (*Adoption, error) {
	a := &Adoption{}
	err := proof.StrictTOML(p, proof.MaxStatement, data, a)
	switch {
	case err != nil:
	case proof.CheckAdoption(a.Format) != nil:
		err = proof.CheckAdoption(a.Format)
	case proof.CheckUUID(a.UUID) != nil:
		err = proof.CheckUUID(a.UUID)
	case len(a.Seals) == 0:
		err = errors.New("names no seals")
	}
	for _, s := range a.Seals {
		if !proof.SealForm.MatchString(s) {
			err = fmt.Errorf("%.120q is not named as a seal", s)
		}
	}
	if err != nil {
		return nil, &ProblemsError{p + " cannot be read", []schema.Problem{{File: p, Severity: schema.Unreadable, Message: err.Error(),
			Write: "adopt writes this file; restore it with git"}}}
	}
	return a, nil
}

// adoption returns where a unit came from, nil for one that began here.
func (l *Ledger) adoption(name string) (*Adoption, error) {
	p := adoptionFile(name)
	data, err := l.read(p)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return parseAdoption(p, data)
}

// elsewhere says which records of a unit were written at other benches.
func (l *Ledger) elsewhere(name string) (map[string]*unit.Bench, error) {
	a, err := l.adoption(name)
	if err != nil || a == nil {
		return nil, err
	}
	chain, err := l.Seals(name)
	if err != nil {
		return nil, err
	}
	return proof.Benches(chain, func(s *proof.Seal) bool { return slices.Contains(a.Seals, s.Name) }), nil
}
