package main

import (
	"fmt"
	"image"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/ledger/photo"
	"benchlore/schema"
)

// attachFlags say which record takes pictures and files.
type attachFlags struct{ unit, by, date, record string }

func (a *app) attachFlags(cmd *cobra.Command, f *attachFlags) {
	cmd.Flags().StringVar(&f.unit, "unit", "", "the `UNIT`; default: the one on the bench")
	cmd.Flags().StringVar(&f.by, "by", "", "the technician's `ID`")
	cmd.Flags().StringVar(&f.date, "date", "", "the `DAY` of the note; default: today")
	cmd.Flags().StringVar(&f.record, "record", "", "the record that takes them, by `NAME`; default: the day's open note")
	a.writeFlags(cmd)
}

// options resolves the flags.
func (f attachFlags) options(a *app, l *ledger.Ledger) (name string, o ledger.AttachOptions, err error) {
	if name, err = a.unit(l, f.unit); err != nil {
		return "", o, err
	}
	if f.record != "" && f.date != "" {
		return "", o, usagef("leave one out", "--record already names a record with its own date")
	}
	o.Record = f.record
	if o.Day, err = a.day(l, f.date); err != nil {
		return "", o, err
	}
	if f.record == "" {
		o.By, err = a.by(l, f.by)
	}
	return name, o, err
}

func (a *app) photoCmd() *cobra.Command {
	var f attachFlags
	var p schema.Photo
	var by slateFlags
	cmd := &cobra.Command{
		Use:   "photo FILE ... | photo DIR --slates",
		Short: "Add photographs, stripped of camera data",
		Long: `Adds photographs to the unit on the bench: JPEG, PNG, GIF or WebP.
Each is turned upright, reduced to 2000 pixels on its long side and saved as a new
JPEG. Nothing else of the file is kept: no place, no camera, no name. The day it
was taken and the SHA-256 of the original are kept in its entry; keep the originals
elsewhere if you want them. HEIC pictures are not read: have the telephone take or
send JPEG.

The entries go into the day's open note, or into --record. Either all files are
stored, in one commit, or none. Photographs travel with the unit once its job is closed.

With --slates the pictures of a folder are filed by the slates among them: codes
printed by benchlore label --slate, each photographed before the pictures it is for. A
worksheet's code and the label inside the case do the same. The command shows what it
understood, asks about the rest and for confirmation, and stores one commit for each
unit. The pictures are put in the order they were taken, and of one time by file name;
where none says when it was taken, by file name. The slates themselves are not stored. A
picture that is there already is named, and not stored again.`,
		Example: `  benchlore photo IMG_2041.jpg --section "power supply" --fault F1 --stage as-found --caption "C14 has leaked onto the board"
  benchlore photo left.jpg right.jpg --record 2031-03-04-intake-7q3f
  benchlore photo ~/camera --slates --dry-run
  benchlore photo ~/camera --slates --stage as-found`,
		Args: args(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, list []string) error {
			if err := by.alone(cmd); err != nil {
				return err
			}
			return a.with(func(l *ledger.Ledger) error {
				if by.on {
					return a.slates(l, list, f, by, p)
				}
				name, o, err := f.options(a, l)
				if err != nil {
					return err
				}
				var in []ledger.Attachment
				var told []string
				read, errs := a.readPhotos(list, nil)
				for i, file := range list {
					if errs[i] != nil {
						return errs[i]
					}
					x := read[i]
					entry := p
					entry.Taken, entry.SHA256 = x.Taken, x.SHA256
					line := fmt.Sprintf("%d × %d pixels", x.Width, x.Height)
					switch {
					case x.Taken.IsZero():
						line += ", the file does not say when it was taken"
					case x.Taken.After(l.Today().Day):
						line += fmt.Sprintf(", the camera's clock says %s, which is in the future, so no date is kept", x.Taken)
						entry.Taken = schema.Date{}
					default:
						line += ", taken " + x.Taken.String()
					}
					in = append(in, ledger.Attachment{Name: filepath.Base(file), Data: x.JPEG, Photo: &entry})
					told = append(told, line)
				}
				s, err := l.Attach(name, in, o)
				if err != nil {
					return err
				}
				if !a.json {
					for i, x := range in {
						fmt.Fprintf(a.out, "%s: %s, %s\n", filepath.Base(list[i]), x.Photo.File, told[i])
					}
				}
				return a.saved(name, s, plural(len(in), "photograph"))
			})
		},
	}
	cmd.Flags().StringVar(&p.Caption, "caption", "", "what they show, in one `SENTENCE`")
	cmd.Flags().StringVar(&p.Section, "section", "", "where: the `SECTION`")
	cmd.Flags().StringVar(&p.Fault, "fault", "", "the fault they show, by its `ID`")
	cmd.Flags().StringVar((*string)(&p.Stage), "stage", "", "`WHEN`: as-found, after-repair, after-soak, as-left")
	by.add(cmd)
	a.attachFlags(cmd, &f)
	return cmd
}

// readPhotos takes in pictures, several at a time, and shows how far it is. Of each file
// it returns the picture or the error; look, where it is not nil, gives what is to
// look at the picture of a file.
func (a *app) readPhotos(files []string, look func(i int) func(*image.Gray)) ([]*photo.Picture, []error) {
	out, errs := make([]*photo.Picture, len(files)), make([]error, len(files))
	progress := a.progress("reading pictures")
	done := make(chan struct{})
	next := make(chan int)
	for range min(runtime.GOMAXPROCS(0), len(files)) {
		go func() {
			for i := range next {
				var l func(*image.Gray)
				if look != nil {
					l = look(i)
				}
				out[i], errs[i] = a.readPhoto(files[i], l)
				done <- struct{}{}
			}
		}()
	}
	go func() {
		for i := range files {
			next <- i
		}
		close(next)
	}()
	for i := range files {
		if progress != nil {
			progress(i, len(files))
		}
		<-done
	}
	if progress != nil {
		progress(len(files), len(files))
	}
	return out, errs
}

// readPhoto takes in one picture; "-" is standard input.
func (a *app) readPhoto(name string, look func(*image.Gray)) (*photo.Picture, error) {
	if name == "-" {
		return photo.ReadAndLook("standard input", a.in, look)
	}
	if fi, err := os.Stat(name); err == nil && fi.IsDir() {
		return nil, usagef("name the pictures in it; where slates were photographed among them, add --slates", "%s is a folder, not a plain file", name)
	}
	f, err := openPlain(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return photo.ReadAndLook(filepath.Base(name), f, look)
}

// openPlain opens a file, and no folder or device.
func openPlain(name string) (*os.File, error) {
	fi, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	if !fi.Mode().IsRegular() {
		return nil, usagef("name a file", "%s is not a plain file", name)
	}
	return os.Open(name)
}

func (a *app) attachCmd() *cobra.Command {
	var f attachFlags
	var title string
	cmd := &cobra.Command{
		Use:   "attach FILE ...",
		Short: "Store other files with a record: a drawing, a recording, a plot",
		Long: `Stores files in files/ of the unit on the bench, with their SHA-256, and names them
in the day's open note, or in --record. Either all are stored, in one commit, or none.

What cameras and programs write beside the picture or the sound is removed from
JPEG, PNG, WebP, WAV, FLAC and MP3 files; the picture and the sound stay as they
are. Other files are stored unchanged, and the command says what is left in them.
Add photographs with photo instead, which also makes them small and upright.

Everything in a unit's folder travels with the unit once its job is closed. Do not
attach a file that must not travel: put it into books/MODEL/TAG/files/ of the
ledger and run: benchlore save`,
		Example: `  benchlore attach wiring.pdf --title "wiring of the quiet supply, drawn 2031"`,
		Args:    args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name, o, err := f.options(a, l)
				if err != nil {
					return err
				}
				var in []ledger.Attachment
				for _, file := range list {
					data, err := readAttachment(file)
					if err != nil {
						return err
					}
					in = append(in, ledger.Attachment{Name: filepath.Base(file), Data: data, File: &schema.File{Title: title}})
				}
				s, err := l.Attach(name, in, o)
				if err != nil {
					return err
				}
				if a.json {
					type attached struct {
						File     string   `json:"file"`
						From     string   `json:"from"`
						TakenOut []string `json:"takenOut"`
						LeftIn   []string `json:"leftIn"`
					}
					answer := struct {
						ledger.Saved
						Attached []attached `json:"attached"`
					}{Saved: s}
					for i, x := range in {
						answer.Attached = append(answer.Attached, attached{x.File.File, filepath.Base(list[i]), append([]string{}, x.Removed...), append([]string{}, x.Left...)})
					}
					return a.printJSON(answer)
				}
				for i, x := range in {
					fmt.Fprintf(a.out, "%s: %s, travels with the unit\n", filepath.Base(list[i]), x.File.File)
					if len(x.Removed) > 0 {
						fmt.Fprintf(a.out, "  taken out: %s\n", strings.Join(x.Removed, ", "))
					}
					if len(x.Left) > 0 {
						fmt.Fprintf(a.out, "  left in it: %s\n", strings.Join(x.Left, ", "))
					}
				}
				return a.saved(name, s, plural(len(in), "file"))
			})
		},
	}
	cmd.Flags().StringVar(&title, "title", "", "what they are, in one `SENTENCE`")
	a.attachFlags(cmd, &f)
	return cmd
}

func readAttachment(name string) ([]byte, error) {
	f, err := openPlain(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, ledger.MaxFileBytes+1))
	switch {
	case err != nil:
		return nil, err
	case len(data) == 0:
		return nil, usagef("", "%s is empty", name)
	case len(data) > ledger.MaxFileBytes:
		return nil, usagef("keep it elsewhere and say where in a note", "%s is larger than %d MB", name, ledger.MaxFileBytes>>20)
	case photo.IsHEIF(data):
		return nil, usagef("save it as JPEG with a picture program, and take that in with: benchlore photo", "%s is an HEIC or AVIF picture, which may say where it was taken", name)
	}
	return data, nil
}
