package unit

import (
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"benchlore/schema"
)

// Loaded is a unit with the problems of its files and of the whole.
type Loaded struct {
	*Unit
	Files    map[string][]byte // every file of the folder that is text of ours, by path from the ledger
	Problems []schema.Problem
}

// Lister is a file system that lists all files below a folder at once, in
// order. [Read] walks the others.
type Lister interface {
	Names(dir string) ([]string, error)
}

// Folder says which unit is read, and what of its folder the caller judges.
type Folder struct {
	Name       string        // model/tag
	Dir        string        // slash path in the file system
	Model      *schema.Model // the shop's own; nil: that of the folder
	Attributes string        // what .gitattributes holds
	// DecodeModel reads model.toml, [schema.Decode] where it is nil. Its value may
	// be shared: nobody changes it.
	DecodeModel func(p string, data []byte) (*schema.Model, []schema.Problem)
	// Attachment says what is wrong with the name of a file in photos/ or files/,
	// and what to write instead.
	Attachment func(name string) (wrong, write string)
}

// Read reads one unit from its files. An error is a failure to read; what is
// wrong with the records is in Problems.
func Read(files fs.FS, of Folder, ctx Context) (*Loaded, error) {
	dir := of.Dir
	names, err := list(files, dir)
	if err != nil {
		return nil, err
	}
	out := &Loaded{Files: map[string][]byte{}}
	s := Source{Name: of.Name, Dir: dir}
	add := func(p string, sev schema.Severity, message, write string) {
		out.Problems = append(out.Problems, schema.Problem{File: p, Severity: sev, Message: message, Write: write})
	}
	decodeModel := of.DecodeModel
	if decodeModel == nil {
		decodeModel = schema.Decode[schema.Model]
	}
	var travelling *schema.Model
	lower := map[string]string{}
	for _, p := range names {
		base := path.Base(p)
		if first, ok := lower[strings.ToLower(p)]; ok {
			add(p, schema.Wrong, "differs from "+path.Base(first)+" only in upper and lower case; some systems cannot keep both", "rename one before it is saved")
		}
		lower[strings.ToLower(p)] = p
		if path.Dir(p) != dir {
			if !strings.HasPrefix(p, dir+"/photos/") && !strings.HasPrefix(p, dir+"/files/") {
				add(p, schema.Wrong, "does not belong in an instrument's folder", "pictures go into photos/, other files into files/")
			} else if of.Attachment != nil {
				if wrong, write := of.Attachment(base); wrong != "" {
					add(p, schema.Wrong, wrong, write)
				}
			}
			continue
		}
		_, kind, _, isRecord := schema.ParseName(base)
		switch {
		case base == ".gitattributes":
			data, err := fs.ReadFile(files, p)
			if err != nil {
				return nil, err
			}
			if string(data) != of.Attributes {
				add(p, schema.Wrong, "does not keep git from changing bytes", "it must hold exactly: "+strings.TrimSpace(of.Attributes))
			}
			out.Files[p] = data
			continue
		case base != "instrument.toml" && base != "model.toml" && !isRecord:
			add(p, schema.Wrong, "is not named as a record", "records are named date-kind-xxxx.toml, such as 2031-03-04-intake-7q3f.toml; other files go into files/")
			continue
		}
		data, err := fs.ReadFile(files, p)
		if err != nil {
			add(p, schema.Unreadable, err.Error(), "")
			continue
		}
		out.Files[p] = data
		switch {
		case base == "instrument.toml":
			inst, problems := schema.Decode[schema.Instrument](p, data)
			if inst == nil || !slices.Contains(schema.InstrumentFormat.Read, inst.Format) {
				if err := schema.InstrumentFormat.Check(p, data); err != nil {
					add(p, schema.Unreadable, strings.TrimPrefix(err.Error(), p+": "), err.(*schema.FormatError).Hint())
					continue
				}
			}
			out.Problems = append(out.Problems, problems...)
			s.Instrument, s.InstrumentData = inst, data
		case base == "model.toml":
			m, problems := decodeModel(p, data)
			out.Problems = append(out.Problems, problems...)
			travelling = m
		default:
			if schema.New(schema.Kind(kind)) == nil {
				add(p, schema.Unreadable, fmt.Sprintf("%q is not a kind of record", kind),
					"the kinds are: "+strings.Join(schema.Kind("").Words(), ", "))
				continue
			}
			rec, problems := schema.DecodeRecord(p, data)
			out.Problems = append(out.Problems, problems...)
			if rec != nil {
				s.Records = append(s.Records, File{Path: p, Data: data, Record: rec})
			}
		}
	}
	for _, f := range s.Records {
		for _, at := range f.Attachments() {
			if !slices.Contains(names, dir+"/"+at) {
				add(f.Path, schema.Wrong, fmt.Sprintf("names %s, which is not there", at), "put the file into the unit's folder, or leave the entry out")
			}
		}
	}
	if s.Instrument == nil && out.Files[dir+"/instrument.toml"] == nil {
		add(dir+"/instrument.toml", schema.Wrong, "is missing", "restore it with git, or open the unit with: benchlore new")
	}
	if s.Model = of.Model; s.Model == nil {
		s.Model = travelling
	}
	if s.Model == nil {
		model, _, _ := strings.Cut(of.Name, "/")
		add("models/"+model+".toml", schema.Wrong, "is missing; "+of.Name+" needs it", "add the model; it may start with nothing but its sections")
	}
	out.Unit = Build(s, ctx)
	out.Problems = append(out.Problems, out.Unit.Problems...)
	schema.Sort(out.Problems)
	return out, nil
}

// Attachments lists the photographs and files a record names, by path from the
// unit's folder.
func (f File) Attachments() []string {
	var out []string
	for _, p := range f.Record.Head().Photos {
		out = append(out, p.File)
	}
	for _, x := range f.Record.Head().Files {
		out = append(out, x.File)
	}
	return out
}

// list gives all files below a folder, in order; none where it is not there.
func list(files fs.FS, dir string) ([]string, error) {
	if l, ok := files.(Lister); ok {
		return l.Names(dir)
	}
	var out []string
	err := fs.WalkDir(files, dir, func(p string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			out = append(out, p)
		}
		return err
	})
	return out, err
}
