package proof

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"
)

// envelope is a packet taken apart.
type envelope struct {
	files  map[string][]byte // those that are looked into
	sums   map[string]string // SHA-256 of every file
	tokens []string          // names in times/
	beside []string          // of a folder: what is no part of the packet
}

// isJunk reports files that systems and packing programs add. They are never
// read.
func isJunk(name string) bool {
	first, _, _ := strings.Cut(name, "/")
	base := path.Base(name)
	return first == "__MACOSX" || base == ".DS_Store" || base == "Thumbs.db"
}

// keptFiles are the files whose content decides something, with how many bytes of
// each are read. Pages are hashed as they pass.
var keptFiles = map[string]int64{GuideFile: maxSmall, ClaimsFile: maxSmall, SumsFile: maxSmall, SumsSigFile: maxSmall,
	PacketFile: MaxStatement, SealFile: MaxStatement, BundleFile: MaxBundle, ReportData: MaxReport}

// readEnvelope reads the files of a packet. Those of a zip must be all there are;
// in a folder, others may lie beside them.
func readEnvelope(list []packed, folder bool) (*envelope, error) {
	env := &envelope{files: map[string][]byte{}, sums: map[string]string{}}
	list = slices.DeleteFunc(slices.Clone(list), func(f packed) bool { return isJunk(f.name) })
	list = withoutFolder(list)
	var total int64
	for _, f := range list {
		switch {
		case slices.Contains(packetFiles, f.name):
		case tokenForm.MatchString(f.name):
			if f.size > MaxToken || len(env.tokens) == MaxTokens {
				return nil, fmt.Errorf("%s: more than %d tokens, or one of more than %d bytes, are not read", f.name, MaxTokens, MaxToken)
			}
			env.tokens = append(env.tokens, f.name)
			continue
		case folder:
			env.beside = append(env.beside, f.name)
			continue
		default:
			// A later format may have more files: what it is comes first.
			if env.files[PacketFile] == nil {
				if i := slices.IndexFunc(list, func(f packed) bool { return f.name == PacketFile }); i >= 0 && list[i].size <= MaxStatement {
					if data, err := readAll(list[i], MaxStatement); err == nil {
						if _, err := parsePacketNote(data); errors.As(err, new(*TooNewError)) {
							return nil, err
						}
					}
				}
			}
			return nil, fmt.Errorf("it holds %.120q, which is no file of a packet", f.name)
		}
		if total += f.size; total > MaxPacket {
			return nil, fmt.Errorf("the packet unpacks to more than %d bytes", int64(MaxPacket))
		}
		sum := sha256.New()
		r, err := f.open()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", f.name, err)
		}
		limit, kept := keptFiles[f.name]
		if kept && f.size > limit {
			r.Close()
			return nil, fmt.Errorf("%s has %d bytes; more than %d are not read", f.name, f.size, limit)
		}
		if kept {
			env.files[f.name], err = io.ReadAll(io.TeeReader(io.LimitReader(r, limit+1), sum))
		} else {
			_, err = io.Copy(sum, io.LimitReader(r, MaxPacket+1))
		}
		if err := errors.Join(err, r.Close()); err != nil {
			return nil, fmt.Errorf("%s: %w", f.name, err)
		}
		env.sums[f.name] = hex.EncodeToString(sum.Sum(nil))
	}
	return env, nil
}

func readAll(f packed, limit int64) ([]byte, error) {
	r, err := f.open()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return io.ReadAll(io.LimitReader(r, limit))
}

// withoutFolder takes away the one folder that all files lie in, as desktops pack
// them.
func withoutFolder(list []packed) []packed {
	if len(list) == 0 {
		return list
	}
	dir, _, ok := strings.Cut(list[0].name, "/")
	if !ok || dir == timesFolder {
		return list
	}
	out := slices.Clone(list)
	for i := range out {
		below, ok := strings.CutPrefix(out[i].name, dir+"/")
		if !ok {
			return list
		}
		out[i].name = below
	}
	return out
}

// IsPacketFolder reports whether a folder holds an unpacked packet.
func IsPacketFolder(dir fs.FS) bool { _, ok := packetRoot(dir); return ok }

// packetRoot finds the files of a packet in a folder: there, or in the one folder
// in it that a packing program made.
func packetRoot(dir fs.FS) (fs.FS, bool) {
	here := func(dir fs.FS) bool {
		for _, f := range []string{SumsFile, PacketFile} {
			if _, err := fs.Stat(dir, f); err == nil {
				return true
			}
		}
		return false
	}
	if here(dir) {
		return dir, true
	}
	entries, err := fs.ReadDir(dir, ".")
	entries = slices.DeleteFunc(entries, func(e fs.DirEntry) bool { return isJunk(e.Name()) })
	if err != nil || len(entries) != 1 || !entries[0].IsDir() {
		return nil, false
	}
	sub, err := fs.Sub(dir, entries[0].Name())
	return sub, err == nil && here(sub)
}

// readFolder lists the files of an unpacked packet. Links are not followed.
func readFolder(dir fs.FS) ([]packed, error) {
	var out []packed
	seen := 0
	var walk func(at string) error
	walk = func(at string) error {
		entries, err := fs.ReadDir(dir, at)
		if err != nil {
			return err
		}
		for _, e := range entries {
			if seen++; seen > MaxEntries {
				return fmt.Errorf("the folder holds more than %d files", MaxEntries)
			}
			name := path.Join(at, e.Name())
			inTimes := name == timesFolder || strings.HasPrefix(name, timesFolder+"/")
			switch {
			case e.IsDir() && inTimes:
				if err := walk(name); err != nil {
					return err
				}
			case e.IsDir():
				out = append(out, packed{name: name + "/"})
			case !e.Type().IsRegular() && (slices.Contains(packetFiles, name) || inTimes):
				return fmt.Errorf("%s is not a plain file", name)
			default:
				info, err := e.Info()
				if err != nil {
					return err
				}
				out = append(out, packed{name, info.Size(), func() (io.ReadCloser, error) { return dir.Open(name) }})
			}
		}
		return nil
	}
	return out, walk(".")
}
