package proof

import (
	"bufio"
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"path"
	"slices"
	"strings"
	"unicode/utf8"
)

// A zip says everything twice, in front of each file and in the list at its end
// (PKWARE APPNOTE.TXT 6.3.10, sections 4.3 and 4.4). Programs differ in which they
// believe. What is read here says the same in both places, holds nothing between
// its files, and unpacks to the same files everywhere.

// unreadableError says that something may be whole, and is written in a way that
// this program does not read.
type unreadableError struct{ what string }

func (e *unreadableError) Error() string { return e.what }

// packed is one file of an envelope.
type packed struct {
	name string
	size int64
	open func() (io.ReadCloser, error)
}

const (
	zipLocal     = "PK\x03\x04"
	zipCentral   = "PK\x01\x02"
	zipEnd       = "PK\x05\x06"
	zipEnd64     = "PK\x06\x06"
	zipLocator64 = "PK\x06\x07"
	zipData      = "PK\x07\x08"

	zipStored   = 0
	zipDeflated = 8

	maxZipList = 1 << 20 // bytes of the list at the end
)

type zipEntry struct {
	name         string
	flags        uint16
	method       uint16
	crc          uint32
	packed, size uint64
	offset       uint64
	data, end    uint64 // where its bytes begin and end
	folder       bool
}

// readZip lists the files of a zip that may come from anybody.
func readZip(r io.ReaderAt, size int64) ([]packed, error) {
	if size > MaxPacket {
		return nil, fmt.Errorf("the file has %d bytes; a packet has at most %d", size, int64(MaxPacket))
	}
	start := make([]byte, min(size, 4))
	if _, err := r.ReadAt(start, 0); err != nil && err != io.EOF {
		return nil, err
	}
	if !bytes.HasPrefix(start, []byte("PK")) {
		return nil, &unreadableError{"this is no packet: it does not begin as a zip does"}
	}
	list, at, n, err := zipList(r, size)
	if err != nil {
		return nil, err
	}
	entries, err := zipEntries(list, n)
	if err != nil {
		return nil, err
	}
	if err := zipLocals(r, entries, at); err != nil {
		return nil, err
	}
	var out []packed
	for _, e := range entries {
		if !e.folder {
			out = append(out, packed{e.name, int64(e.size), func() (io.ReadCloser, error) { return openEntry(r, e), nil }})
		}
	}
	return out, nil
}

// zipList finds the list at the end of a zip, and where it begins.
func zipList(r io.ReaderAt, size int64) (list []byte, at int64, n int, err error) {
	const endLen, locatorLen, end64Len = 22, 20, 56
	cut := errors.New("the zip has no end: it was cut short, or something follows it")
	tail := make([]byte, min(size, endLen+1<<16-1+locatorLen+end64Len))
	if _, err := r.ReadAt(tail, size-int64(len(tail))); err != nil && err != io.EOF {
		return nil, 0, 0, err
	}
	end := -1
	for i := len(tail) - endLen; i >= 0; i-- {
		if string(tail[i:i+4]) == zipEnd && i+endLen+int(binary.LittleEndian.Uint16(tail[i+20:])) == len(tail) {
			if end >= 0 {
				return nil, 0, 0, errors.New("the zip has two ends, so that programs may see different files in it")
			}
			end = i
		}
	}
	if end < 0 {
		return nil, 0, 0, cut
	}
	e := tail[end:]
	endAt := size - int64(len(tail)) + int64(end)
	if binary.LittleEndian.Uint16(e[4:]) != 0 || binary.LittleEndian.Uint16(e[6:]) != 0 || binary.LittleEndian.Uint16(e[8:]) != binary.LittleEndian.Uint16(e[10:]) {
		return nil, 0, 0, &unreadableError{"the zip is one part of several"}
	}
	count, length, offset := uint64(binary.LittleEndian.Uint16(e[10:])), uint64(binary.LittleEndian.Uint32(e[12:])), uint64(binary.LittleEndian.Uint32(e[16:]))
	listEnd := endAt
	if end >= locatorLen && string(tail[end-locatorLen:end-locatorLen+4]) == zipLocator64 {
		x := end - locatorLen - end64Len
		if x < 0 || string(tail[x:x+4]) != zipEnd64 || binary.LittleEndian.Uint64(tail[x+4:]) != end64Len-12 ||
			binary.LittleEndian.Uint64(tail[end-locatorLen+8:]) != uint64(size-int64(len(tail))+int64(x)) {
			return nil, 0, 0, errors.New("the end of the zip is not written as that of a large one is")
		}
		count64, length64, offset64 := binary.LittleEndian.Uint64(tail[x+32:]), binary.LittleEndian.Uint64(tail[x+40:]), binary.LittleEndian.Uint64(tail[x+48:])
		if count != count64 && count != 1<<16-1 || length != length64 && length != 1<<32-1 || offset != offset64 && offset != 1<<32-1 {
			return nil, 0, 0, errors.New("the two ends of the zip say different things")
		}
		count, length, offset = count64, length64, offset64
		listEnd = size - int64(len(tail)) + int64(x)
	}
	switch {
	case count > MaxEntries:
		return nil, 0, 0, fmt.Errorf("the zip holds %d files; more than %d are not read", count, MaxEntries)
	case length > maxZipList:
		return nil, 0, 0, fmt.Errorf("the list of files in the zip has %d bytes; more than %d are not read", length, maxZipList)
	case offset > uint64(size) || offset+length != uint64(listEnd):
		return nil, 0, 0, errors.New("the zip holds more than its files, or it was cut short")
	}
	list = make([]byte, length)
	if _, err := r.ReadAt(list, int64(offset)); err != nil && err != io.EOF {
		return nil, 0, 0, err
	}
	return list, int64(offset), int(count), nil
}

// zipEntries reads the list.
func zipEntries(list []byte, n int) ([]*zipEntry, error) {
	const head = 46
	var out []*zipEntry
	seen := map[string]bool{}
	for range n {
		if len(list) < head || string(list[:4]) != zipCentral {
			return nil, errors.New("the list of files in the zip cannot be read")
		}
		le := binary.LittleEndian
		e := &zipEntry{flags: le.Uint16(list[8:]), method: le.Uint16(list[10:]), crc: le.Uint32(list[16:]),
			packed: uint64(le.Uint32(list[20:])), size: uint64(le.Uint32(list[24:])), offset: uint64(le.Uint32(list[42:]))}
		name, extra, comment := int(le.Uint16(list[28:])), int(le.Uint16(list[30:])), int(le.Uint16(list[32:]))
		made, attributes, disk := list[5], le.Uint32(list[38:]), le.Uint16(list[34:])
		if len(list) < head+name+extra+comment {
			return nil, errors.New("the list of files in the zip cannot be read")
		}
		e.name = string(list[head : head+name])
		if err := checkZipName(e.name); err != nil {
			return nil, err
		}
		if err := e.extra(list[head+name:head+name+extra], true); err != nil {
			return nil, fmt.Errorf("%q in the zip: %w", e.name, err)
		}
		e.folder = strings.HasSuffix(e.name, "/")
		const unix, darwin = 3, 19
		const kind, plain, folder, reparse = 0o170000, 0o100000, 0o040000, 0x400
		mode := attributes >> 16 & kind
		switch {
		case (made == unix || made == darwin) && mode != 0 && mode != plain && !(mode == folder && e.folder),
			attributes&reparse != 0 && made != unix && made != darwin:
			return nil, fmt.Errorf("%q in the zip is no plain file, but a link or a device", e.name)
		case disk != 0:
			return nil, &unreadableError{"the zip is one part of several"}
		case e.flags&1 != 0:
			return nil, &unreadableError{"the zip is encrypted: unpack it, and verify the folder"}
		case e.method != zipStored && e.method != zipDeflated:
			return nil, &unreadableError{fmt.Sprintf("%q in the zip is compressed in a way this program does not read (method %d): unpack it, and verify the folder", e.name, e.method)}
		case e.folder && e.size != 0:
			return nil, fmt.Errorf("the folder %q in the zip has a content", e.name)
		case e.method == zipStored && e.packed != e.size:
			return nil, fmt.Errorf("%q in the zip has two lengths", e.name)
		case e.size > MaxPacket || e.packed > MaxPacket:
			return nil, fmt.Errorf("%q in the zip has %d bytes; a whole packet has at most %d", e.name, e.size, int64(MaxPacket))
		}
		// Some systems keep one file where two names differ in case only.
		key := strings.ToLower(strings.TrimSuffix(e.name, "/"))
		if seen[key] {
			return nil, fmt.Errorf("%q is in the zip twice", e.name)
		}
		seen[key] = true
		out = append(out, e)
		list = list[head+name+extra+comment:]
	}
	if len(list) > 0 {
		return nil, errors.New("the list of files in the zip is longer than it says")
	}
	return out, nil
}

// extra reads the fields that may say something else than the header: lengths of
// large files, and a second name.
func (e *zipEntry) extra(data []byte, central bool) error {
	le := binary.LittleEndian
	for len(data) >= 4 {
		tag, n := le.Uint16(data), int(le.Uint16(data[2:]))
		if len(data) < 4+n {
			return errors.New("its extra fields are cut short")
		}
		field := data[4 : 4+n]
		data = data[4+n:]
		switch tag {
		case 1: // zip64
			for _, v := range []*uint64{&e.size, &e.packed, &e.offset} {
				if *v != 1<<32-1 || v == &e.offset && !central {
					continue
				}
				if len(field) < 8 {
					return errors.New("its length is missing")
				}
				*v, field = le.Uint64(field), field[8:]
			}
		case 0x7075: // Info-ZIP's Unicode path: version, checksum, name
			if n < 5 || string(field[5:]) != e.name {
				return errors.New("it has a second name")
			}
		}
	}
	if len(data) > 3 {
		return errors.New("its extra fields are cut short")
	}
	return nil
}

// checkZipName refuses names that lead out of a folder, or that programs read
// differently.
func checkZipName(name string) error {
	clean := strings.TrimSuffix(name, "/")
	switch {
	case clean == "" || len(name) > 300:
		return fmt.Errorf("a file in the zip has no name, or one of %d bytes", len(name))
	case !utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return Hidden(r) || r == '\n' || r == '\t' }):
		return fmt.Errorf("the zip holds the name %.80q, which holds hidden characters", name)
	case strings.ContainsAny(name, `\:`) || strings.HasPrefix(name, "/") || path.Clean(clean) != clean || clean == ".." || strings.HasPrefix(clean, "../"):
		return fmt.Errorf("the zip holds the name %.80q, which leads out of the folder it is unpacked into", name)
	}
	return nil
}

// zipLocals holds what stands in front of each file against the list, and sees
// that the files lie side by side, from the beginning of the zip to its list.
func zipLocals(r io.ReaderAt, entries []*zipEntry, list int64) error {
	order := slices.Clone(entries)
	slices.SortFunc(order, func(a, b *zipEntry) int {
		switch {
		case a.offset < b.offset:
			return -1
		case a.offset > b.offset:
			return 1
		}
		return 0
	})
	const head = 30
	le := binary.LittleEndian
	next := uint64(0)
	for i, e := range order {
		if e.offset != next {
			return fmt.Errorf("in front of %q the zip holds what belongs to no file, or two files overlap", e.name)
		}
		fixed := make([]byte, head)
		if _, err := r.ReadAt(fixed, int64(e.offset)); err != nil || string(fixed[:4]) != zipLocal {
			return fmt.Errorf("%q is not where the zip says", e.name)
		}
		name, extra := int(le.Uint16(fixed[26:])), int(le.Uint16(fixed[28:]))
		rest := make([]byte, name+extra)
		if _, err := r.ReadAt(rest, int64(e.offset)+head); err != nil {
			return fmt.Errorf("%q is not where the zip says", e.name)
		}
		l := &zipEntry{name: e.name, flags: le.Uint16(fixed[6:]), method: le.Uint16(fixed[8:]), crc: le.Uint32(fixed[14:]),
			packed: uint64(le.Uint32(fixed[18:])), size: uint64(le.Uint32(fixed[22:]))}
		if string(rest[:name]) != e.name {
			return fmt.Errorf("%q has another name in front of it in the zip, %.80q", e.name, rest[:name])
		}
		if err := l.extra(rest[name:], false); err != nil {
			return fmt.Errorf("%q in the zip: %w", e.name, err)
		}
		const after = 8 // lengths and checksum follow the file
		later := e.flags&after != 0
		same := l.crc == e.crc && l.packed == e.packed && l.size == e.size
		if later {
			// Zero stands for what was not known yet.
			same = (l.crc == e.crc || l.crc == 0) && (l.packed == e.packed || l.packed == 0) && (l.size == e.size || l.size == 0)
		}
		const kept = 1 | after | 1<<11 // encrypted, lengths later, names in UTF-8
		if l.method != e.method || l.flags&kept != e.flags&kept || !same {
			return fmt.Errorf("what stands in front of %q in the zip is not what its list says", e.name)
		}
		e.data = e.offset + head + uint64(name+extra)
		e.end = e.data + e.packed
		next = e.end
		limit := uint64(list)
		if i+1 < len(order) {
			limit = order[i+1].offset
		}
		if later && limit > next {
			if limit-next > 24 {
				return fmt.Errorf("behind %q the zip holds what belongs to no file", e.name)
			}
			d := make([]byte, limit-next)
			if _, err := r.ReadAt(d, int64(next)); err != nil {
				return fmt.Errorf("%q is not where the zip says", e.name)
			}
			d = bytes.TrimPrefix(d, []byte(zipData))
			var ok bool
			switch len(d) {
			case 12:
				ok = le.Uint32(d) == e.crc && uint64(le.Uint32(d[4:])) == e.packed && uint64(le.Uint32(d[8:])) == e.size
			case 20:
				ok = le.Uint32(d) == e.crc && le.Uint64(d[4:]) == e.packed && le.Uint64(d[12:]) == e.size
			}
			if !ok {
				return fmt.Errorf("what stands behind %q in the zip is not what its list says", e.name)
			}
			next = limit
		}
	}
	if next != uint64(list) {
		return errors.New("the zip holds what belongs to no file")
	}
	return nil
}

// openEntry reads one file of a zip. A wrong length or checksum is an error at
// its end.
func openEntry(r io.ReaderAt, e *zipEntry) io.ReadCloser {
	raw := bufio.NewReader(io.NewSectionReader(r, int64(e.data), int64(e.packed)))
	x := &entryReader{e: e, raw: raw, from: io.NopCloser(raw), sum: crc32.NewIEEE()}
	if e.method == zipDeflated {
		x.from = flate.NewReader(raw)
	}
	return x
}

type entryReader struct {
	e    *zipEntry
	raw  *bufio.Reader
	from io.ReadCloser
	sum  interface {
		io.Writer
		Sum32() uint32
	}
	n uint64
}

func (x *entryReader) Close() error { return x.from.Close() }

func (x *entryReader) Read(p []byte) (int, error) {
	n, err := x.from.Read(p)
	x.sum.Write(p[:n])
	if x.n += uint64(n); x.n > x.e.size {
		return 0, errors.New("it is longer than the zip says")
	}
	if err == io.EOF {
		if _, more := x.raw.ReadByte(); x.n != x.e.size || x.sum.Sum32() != x.e.crc || more == nil {
			return n, errors.New("its length or its checksum is not what the zip says")
		}
	} else if err != nil {
		err = fmt.Errorf("it cannot be unpacked: %w", err)
	}
	return n, err
}
