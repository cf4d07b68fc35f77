package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"

	"benchlore/ledger/disclosure"
	"benchlore/schema"
	"benchlore/schema/pattern"
)

// MaxFileBytes is the largest file that goes with a record.
const MaxFileBytes = 60 << 20

// Attachment is a file to be stored with a record, and what the record says of
// it: Photo for a picture, which gets a name of its own, else File, whose name
// is made from Name. Paths and, for a file, the digest are filled in.
type Attachment struct {
	Name  string // as it was called; used for a File
	Data  []byte
	Photo *schema.Photo
	File  *schema.File

	// Of a file, filled in: the metadata that was taken out of it, and what it may
	// tell beside what it shows and was left in. Data is what was stored.
	Removed, Left []string
}

// AttachOptions say which record takes attachments.
type AttachOptions struct {
	By  string
	Day schema.Date
	// Record is the name of an unclosed record, "" for the open note of the day:
	// the unit's last note of that date and technician that has not been
	// closed. Where there is none one is started.
	Record string
}

// Attach stores pictures and files in a unit's folder and names them in one of
// its records, all in one commit or not at all. Problems are those of the new
// entries; a picture that is there already, by the digest of its original, is
// named again and kept once. Errors: *ProblemsError, *UsageError, *UnsavedError and those of
// writing. Files lose the metadata that can be taken out of their kind.
func (l *Ledger) Attach(name string, list []Attachment, o AttachOptions) (Saved, error) {
	stock, err := l.Catalog()
	if err != nil {
		return Saved{}, err
	}
	for i := range list {
		if a := &list[i]; a.File != nil {
			bare := disclosure.Strip(a.Data)
			a.Data, a.Removed, a.Left = bare.Data, bare.Removed, bare.Left
		}
	}
	var s Saved
	s.Result, err = l.update(func(w *writer) error {
		u, err := l.Unit(name, stock)
		if err != nil {
			return err
		}
		data, err := l.openRecord(w, u, o, &s)
		if err != nil {
			return err
		}
		if n := len(data); n > 0 && data[n-1] != '\n' {
			data = append(data, '\n')
		}
		names, err := diskSource{l}.names(unitDir(name))
		if err != nil {
			return err
		}
		started := !slices.Contains(names, s.Path) // and so all that is wrong with the record is new
		var own []string                           // keys of the new entries
		photos, files := 0, 0
		var entries []schema.Photo
		if rec, _ := schema.DecodeRecord(s.Path, data); rec != nil {
			entries = slices.Clone(rec.Head().Photos)
			photos, files = len(entries), len(rec.Head().Files)
		}
		changed := map[string][]byte{}
		stored := pictures(u, names)
		for i := range list {
			a := &list[i]
			p := ""
			if a.Photo != nil {
				if p = stored[a.Photo.SHA256]; p == "" {
					if p, err = l.photoName(unitDir(name), o.Day, names); err != nil {
						return err
					}
					changed[p] = a.Data
				}
				if a.Photo.SHA256 != "" {
					stored[a.Photo.SHA256] = p
				}
				a.Photo.File = strings.TrimPrefix(p, unitDir(name)+"/")
				if slices.Contains(entries, *a.Photo) {
					return &UsageError{fmt.Sprintf("%s is in %s already, as %s, with the same entry", a.Name, path.Base(s.Path), a.Photo.File),
						"leave it out, or give it another caption, section, fault or stage"}
				}
				entries = append(entries, *a.Photo)
				data = append(data, schema.EncodeTable("photo", a.Photo)...)
				own = append(own, fmt.Sprintf("photo[%d]", photos))
				photos++
			} else {
				if p, err = l.fileName(unitDir(name), a, names, changed); err != nil {
					return err
				}
				sum := sha256.Sum256(a.Data)
				a.File.File, a.File.SHA256 = strings.TrimPrefix(p, unitDir(name)+"/"), hex.EncodeToString(sum[:])
				changed[p] = a.Data
				data = append(data, schema.EncodeTable("file", a.File)...)
				own = append(own, fmt.Sprintf("file[%d]", files))
				files++
			}
			names = append(names, p)
		}
		rec, problems := schema.DecodeRecord(s.Path, data)
		if rec == nil {
			return &ProblemsError{"nothing was stored", problems}
		}
		for p, d := range changed {
			w.put(p, d)
		}
		w.put(s.Path, data)
		changed[s.Path] = data
		w.subject = attachSubject(name, list)
		if problems, err = l.problemsWith(name, stock, changed); err != nil {
			return err
		}
		s.Problems = []schema.Problem{}
		for _, q := range problems {
			if q.File != s.Path || started || slices.ContainsFunc(own, func(k string) bool { return q.Path == k || strings.HasPrefix(q.Path, k+".") }) {
				s.Problems = append(s.Problems, q)
			}
		}
		return nil
	})
	return s, err
}

// pictures gives the path of each picture of a unit by the digest of its
// original, so that the same one is kept once.
func pictures(u *Loaded, names []string) map[string]string {
	out := map[string]string{}
	for _, f := range u.Unit.Files {
		for _, x := range f.Record.Head().Photos {
			if p := unitDir(u.Name) + "/" + x.File; x.SHA256 != "" && slices.Contains(names, p) {
				out[x.SHA256] = p
			}
		}
	}
	return out
}

// openRecord finds the record that takes attachments, or starts a note. The
// path goes into s.
func (l *Ledger) openRecord(w *writer, u *Loaded, o AttachOptions, s *Saved) ([]byte, error) {
	closed, err := l.closedFiles(u.Name, w.head)
	if err != nil {
		return nil, err
	}
	want := strings.TrimSuffix(path.Base(o.Record), ".toml")
	job := u.OpenJob()
	for i := len(u.Unit.Files) - 1; i >= 0; i-- { // the day's last first
		f := &u.Unit.Files[i]
		h := f.Record.Head()
		if o.Record != "" {
			if f.Name() != want {
				continue
			}
			if closed[path.Base(f.Path)] {
				return nil, &UsageError{fmt.Sprintf("%s is closed; what has travelled stays as it is", want), "leave --record out: what comes later goes into a note of its own day"}
			}
		} else if h.Kind != schema.KindNote || h.Date != o.Day || h.By != o.By || h.Withdrawn || closed[path.Base(f.Path)] ||
			job != nil && !slices.Contains(job.Files, f) {
			continue
		}
		committed, ok, err := w.committed(f.Path)
		if err != nil {
			return nil, err
		}
		if !ok || !bytes.Equal(committed, f.Data) {
			return nil, &UnsavedError{[]string{f.Path}}
		}
		s.Path = f.Path
		return slices.Clone(f.Data), nil
	}
	if o.Record != "" {
		return nil, &UsageError{fmt.Sprintf("%s has no record %q", u.Name, o.Record), "see: benchlore history " + u.Name}
	}
	if s.Path, err = l.newName(unitDir(u.Name), o.Day, string(schema.KindNote)); err != nil {
		return nil, err
	}
	seq, err := l.NextSeq(u.Name, o.Day)
	if err != nil {
		return nil, err
	}
	return schema.Encode(&schema.Note{Common: schema.Common{Kind: schema.KindNote, Date: o.Day, By: o.By, Seq: seq}}), nil
}

func attachSubject(name string, list []Attachment) string {
	photos, last := 0, ""
	for _, a := range list {
		if a.Photo != nil {
			photos++
			last = a.Photo.File + " " + a.Photo.Caption
		} else {
			last = a.File.File + " " + a.File.Title
		}
	}
	switch {
	case len(list) == 1:
		return fmt.Sprintf("%s: %s", name, strings.TrimSpace(last))
	case photos == len(list):
		return fmt.Sprintf("%s: %d photographs", name, photos)
	}
	return fmt.Sprintf("%s: %d files", name, len(list))
}

// photoName makes a name no picture of the folder has.
func (l *Ledger) photoName(dir string, day schema.Date, names []string) (string, error) {
	for {
		letters, err := l.letters()
		if err != nil {
			return "", err
		}
		if p := fmt.Sprintf("%s/photos/%s-%s.jpg", dir, day, letters); !slices.Contains(names, p) {
			return p, nil
		}
	}
}

func (l *Ledger) letters() (string, error) {
	var b [4]byte
	for i := range b {
		var err error
		if b[i], err = l.letter(); err != nil {
			return "", err
		}
	}
	return string(b[:]), nil
}

var notInFileNames = pattern.New(`[^A-Za-z0-9._-]+`)

// fileName makes a path in files/ that every system can keep of what a file was
// called. Another file of that name gets four letters; the same bytes are
// kept once.
func (l *Ledger) fileName(dir string, a *Attachment, names []string, changed map[string][]byte) (string, error) {
	base := strings.Trim(notInFileNames.ReplaceAllString(path.Base(strings.ReplaceAll(a.Name, `\`, "/")), "-"), "-._")
	ext := path.Ext(base)
	if len(ext) > 16 {
		ext = ""
	}
	stem := strings.TrimSuffix(base, ext)
	stem = strings.TrimRight(stem[:min(len(stem), 80)], "-._")
	if stem == "" {
		stem = "file"
	}
	name := stem + ext
	if checkAttachment(name) != nil {
		name = "file-" + name // a name some system keeps for itself
	}
	if err := checkAttachment(name); err != nil {
		return "", err
	}
	stem = strings.TrimSuffix(name, ext)
	for {
		p := dir + "/files/" + name
		i := slices.IndexFunc(names, func(n string) bool { return strings.EqualFold(n, p) })
		if i < 0 {
			return p, nil
		}
		old, fresh := changed[names[i]]
		if !fresh {
			var err error
			if old, err = l.readWhole(names[i], MaxFileBytes); err != nil {
				return "", err
			}
		}
		if bytes.Equal(old, a.Data) {
			return names[i], nil
		}
		letters, err := l.letters()
		if err != nil {
			return "", err
		}
		name = stem + "-" + letters + ext
	}
}

// readWhole reads a plain file of the ledger that may be larger than a record.
func (l *Ledger) readWhole(p string, most int64) ([]byte, error) {
	fi, err := l.root.Lstat(p)
	if err != nil {
		return nil, err
	}
	if !fi.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a plain file", p)
	}
	f, err := l.root.Open(p)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, most))
}

// digestProblems reports files that are not what the records name them for;
// digest returns the SHA-256 of one, by path from the ledger. A picture's digest
// is of the original, which is not kept, so it cannot be checked.
func digestProblems(u *Loaded, digest func(p string) (string, error)) []schema.Problem {
	var out []schema.Problem
	for _, f := range u.Unit.Files {
		for i, x := range f.Record.Head().Files {
			if x.SHA256 == "" {
				continue
			}
			sum, err := digest(unitDir(u.Name) + "/" + x.File)
			if err != nil || sum == x.SHA256 {
				continue // a file that is not there is reported with the record
			}
			c := &schema.Collector{File: f.Path}
			c.Errorf(fmt.Sprintf("file[%d].sha256", i), "%s is not the file this record names: its SHA-256 is %s => put the file back with git, or correct the digest", x.File, sum)
			out = append(out, placed(c, f.Data)...)
		}
	}
	return out
}

// digest returns the SHA-256 of a plain file of the ledger.
func (l *Ledger) digest(p string) (string, error) {
	fi, err := l.root.Lstat(p)
	if err != nil {
		return "", err
	}
	if !fi.Mode().IsRegular() {
		return "", fmt.Errorf("%s is not a plain file", p)
	}
	f, err := l.root.Open(p)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// UUIDs gives the identity of every unit, by name. A unit whose instrument.toml cannot
// be read is left out; check says what is wrong with it.
func (l *Ledger) UUIDs() (map[string]string, error) {
	names, err := l.Units()
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, name := range names {
		p := unitDir(name) + "/instrument.toml"
		data, err := l.read(p)
		if err != nil {
			continue
		}
		if i, _ := schema.Decode[schema.Instrument](p, data); i != nil && i.UUID != "" {
			out[name] = i.UUID
		}
	}
	return out, nil
}
