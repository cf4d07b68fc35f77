package pack

import "io"

// Pages reads a file that never changes in pages and keeps the last ones: objects
// that are asked for one after the other lie side by side in a pack, and a call of
// the system for each took longer than to inflate it. It is not mapped into memory,
// since a mapped file that another program cuts short ends this one.
type Pages struct {
	file io.ReaderAt
	size int64 // of a page
	most int   // pages
	held map[int64][]byte
	old  []int64 // in the order they were read
}

// NewPages keeps up to most pages of so many bytes.
func NewPages(file io.ReaderAt, size int64, most int) *Pages {
	return &Pages{file: file, size: size, most: most, held: map[int64][]byte{}}
}

// ReadAt reads from the pages; it is not safe for several goroutines at once.
func (p *Pages) ReadAt(b []byte, at int64) (int, error) {
	if at < 0 || int64(len(b)) > p.size {
		return p.file.ReadAt(b, at)
	}
	n := 0
	for n < len(b) {
		page, err := p.page(at / p.size)
		if from := at % p.size; from < int64(len(page)) {
			k := copy(b[n:], page[from:])
			n, at = n+k, at+int64(k)
		} else if err == nil {
			err = io.EOF
		}
		if err != nil && n < len(b) {
			return n, err
		}
	}
	return n, nil
}

// page reads a page; a short one is the file's last, and is not kept, as is one that
// could not be read.
func (p *Pages) page(i int64) ([]byte, error) {
	if b, ok := p.held[i]; ok {
		return b, nil
	}
	var b []byte
	if len(p.old) == p.most {
		b = p.held[p.old[0]]
		delete(p.held, p.old[0])
		p.old = append(p.old[:0], p.old[1:]...)
	} else {
		b = make([]byte, p.size)
	}
	n, err := p.file.ReadAt(b, i*p.size)
	if n < len(b) {
		return b[:n], err
	}
	p.held[i] = b
	p.old = append(p.old, i)
	return b, nil
}
