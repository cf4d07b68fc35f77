package disclosure

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"compress/zlib"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"
	utf16pkg "unicode/utf16"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/unicode/norm"
)

// customer is whom every file of the corpus names. All of it is invented.
var customer = Person{
	Name:    "Odile Brännock-Thorvald",
	Phone:   "0171 3920034",
	Email:   "odile@brannock.example",
	Address: "14 Fennick Street\n70999 Wolmersheim",
	Note:    "brother Ruvenal pays; wants the loud keys left as they are",
}

const planted = "Odile Brännock-Thorvald"

func search() *Search { return NewSearch([]Person{customer}, []string{"Halden Street Workshop"}) }

func texts(r Report) (out []string) {
	for _, f := range r.Findings {
		out = append(out, f.Text)
	}
	return out
}

// named reports whether the customer's name was found.
func named(r Report) bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool { return strings.Contains(strings.ReplaceAll(Fold(f.Text), "- ", ""), "brannock") })
}

func wide(s string, order binary.ByteOrder, mark bool) []byte {
	var b bytes.Buffer
	units := utf16pkg.Encode([]rune(s))
	if mark {
		units = append([]uint16{0xfeff}, units...)
	}
	binary.Write(&b, order, units)
	return b.Bytes()
}

func latin(t testing.TB, s string) []byte {
	t.Helper()
	b, err := charmap.Windows1252.NewEncoder().String(s)
	if err != nil {
		t.Fatal(err)
	}
	return []byte(b)
}

func zipped(t testing.TB, files ...string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for i := 0; i < len(files); i += 2 {
		w, err := z.Create(files[i])
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(files[i+1])); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func deflated(s string) string {
	var b bytes.Buffer
	z := zlib.NewWriter(&b)
	z.Write([]byte(s))
	z.Close()
	return b.String()
}

func picture(t testing.TB) image.Image {
	m := image.NewRGBA(image.Rect(0, 0, 24, 16))
	for i := range 24 * 16 {
		m.Set(i%24, i/24, color.RGBA{byte(i), byte(i * 3), byte(i * 7), 255})
	}
	return m
}

func plainJPEG(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, picture(t), nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// jpegWith puts a segment behind the head of a JPEG.
func jpegWith(t testing.TB, marker byte, body string) []byte {
	j := plainJPEG(t)
	out := append([]byte{}, j[:2]...)
	out = append(out, 0xff, marker)
	out = binary.BigEndian.AppendUint16(out, uint16(len(body)+2))
	return append(append(out, body...), j[2:]...)
}

// exifBlock is a TIFF of one directory with a text, a tag of 16 bits and, where
// gps is set, a directory of places.
func exifBlock(tag uint16, text string, up uint16, gps bool) string {
	order := binary.BigEndian
	b := []byte("MM\x00*\x00\x00\x00\x08")
	n := uint16(2)
	if gps {
		n = 3
	}
	b = order.AppendUint16(b, n)
	at := 8 + 2 + 12*int(n) + 4
	entry := func(tag, kind uint16, count, value uint32) {
		b = order.AppendUint16(b, tag)
		b = order.AppendUint16(b, kind)
		b = order.AppendUint32(b, count)
		b = order.AppendUint32(b, value)
	}
	entry(0x0112, 3, 1, uint32(up)<<16)
	kind := uint16(2)
	if tag >= 0x9c9b {
		kind = 1
	}
	if tag == 0x9286 {
		kind = 7
	}
	entry(tag, kind, uint32(len(text)), uint32(at))
	if gps {
		entry(0x8825, 4, 1, 0)
	}
	b = append(b, 0, 0, 0, 0)
	return string(b) + text
}

func plainPNG(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, picture(t)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func pngWith(t testing.TB, kind, body string) []byte {
	p := plainPNG(t)
	const head = 8 + 25 // the mark and IHDR
	c := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	c = append(append(c, kind...), body...)
	c = binary.BigEndian.AppendUint32(c, crc32.ChecksumIEEE(c[4:]))
	return append(append(append([]byte{}, p[:head]...), c...), p[head:]...)
}

func riffChunk(order binary.AppendByteOrder, tag, body string) string {
	s := tag + string(order.AppendUint32(nil, uint32(len(body)))) + body
	if len(body)%2 == 1 {
		s += "\x00"
	}
	return s
}

func riffOf(order binary.AppendByteOrder, form, kind string, parts ...string) []byte {
	all := kind + strings.Join(parts, "")
	return []byte(form + string(order.AppendUint32(nil, uint32(len(all)))) + all)
}

func wavWith(parts ...string) []byte {
	le := binary.LittleEndian
	parts = append([]string{riffChunk(le, "fmt ", "\x01\x00\x01\x00\x44\xac\x00\x00\x88\x58\x01\x00\x02\x00\x10\x00"), riffChunk(le, "data", "\x01\x02\x03\x04\x05\x06")}, parts...)
	return riffOf(le, "RIFF", "WAVE", parts...)
}

func vorbis(comments ...string) string {
	le := binary.LittleEndian
	s := string(le.AppendUint32(nil, 4)) + "test" + string(le.AppendUint32(nil, uint32(len(comments))))
	for _, c := range comments {
		s += string(le.AppendUint32(nil, uint32(len(c)))) + c
	}
	return s
}

func flacWith(comments string) []byte {
	block := func(kind byte, body string) string {
		n := len(body)
		return string([]byte{kind, byte(n >> 16), byte(n >> 8), byte(n)}) + body
	}
	return []byte("fLaC" + block(0, strings.Repeat("\x01", 34)) + block(0x84, comments) + "\xff\xf8sound")
}

func oggPage(body string) string {
	var laces []byte
	n := len(body)
	for ; n >= 255; n -= 255 {
		laces = append(laces, 255)
	}
	laces = append(laces, byte(n))
	return "OggS\x00\x00" + strings.Repeat("\x00", 8) + "\x07\x00\x00\x00" + strings.Repeat("\x00", 8) + string([]byte{byte(len(laces))}) + string(laces) + body
}

func id3With(id string, encoding byte, text []byte) []byte {
	body := append([]byte{encoding}, text...)
	n := len(body)
	frame := append([]byte(id), byte(n>>21)&0x7f, byte(n>>14)&0x7f, byte(n>>7)&0x7f, byte(n)&0x7f, 0, 0)
	frame = append(frame, body...)
	n = len(frame)
	out := append([]byte("ID3\x04\x00\x00"), byte(n>>21)&0x7f, byte(n>>14)&0x7f, byte(n>>7)&0x7f, byte(n)&0x7f)
	return append(append(out, frame...), "\xff\xfb\x90\x00sound sound"...)
}

// pdfOf makes a PDF of objects, each a dictionary and what its stream holds.
func pdfOf(objects ...[2]string) []byte {
	var b strings.Builder
	b.WriteString("%PDF-1.5\n%\xe2\xe3\xcf\xd3\n")
	for i, o := range objects {
		fmt.Fprintf(&b, "%d 0 obj\n", i+1)
		if o[1] == "" {
			b.WriteString(o[0] + "\nendobj\n")
			continue
		}
		data := o[1]
		if strings.Contains(o[0], "Flate") {
			data = deflated(data)
		}
		fmt.Fprintf(&b, "<<%s /Length %d>>\nstream\n%s\nendstream\nendobj\n", o[0], len(data), data)
	}
	b.WriteString("trailer <</Root 1 0 R>>\n%%EOF\n")
	return []byte(b.String())
}

const helvetica = "<</Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding>>"

// page is a PDF of one page that draws something in a font; more are further
// objects, from number 5 on.
func page(draw, font string, more ...[2]string) []byte {
	return pdfOf(append([][2]string{{"<</Type /Catalog /Pages 2 0 R>>", ""}, {"<</Type /Page /Contents 3 0 R /Resources <</Font <</F1 4 0 R>>>>>>", ""},
		{"/Filter /FlateDecode", draw}, {font, ""}}, more...)...)
}

const wordNS = `<w:document xmlns:w="http://schemas.openxmlformats.org/wordprocessingml/2006/main"><w:body>`

// corpus are files that name the customer, each in another way.
func corpus(t testing.TB) map[string][]byte {
	le := binary.LittleEndian
	name8 := latin(t, planted)
	xmp := `<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF><rdf:Description dc:creator="` + planted + `"/></rdf:RDF></x:xmpmeta>`
	xmp2 := `<x:xmpmeta xmlns:x="adobe:ns:meta/"><dc:creator><rdf:Seq><rdf:li>` + planted + `</rdf:li></rdf:Seq></dc:creator></x:xmpmeta>`
	iptc := "Photoshop 3.0\x008BIM\x04\x04\x00\x00\x00\x00\x00\x20\x1c\x02\x50\x00" + string(rune(len(name8))) + string(name8)
	var tarred, squeezed bytes.Buffer
	tw := tar.NewWriter(&tarred)
	tw.WriteHeader(&tar.Header{Name: "letter.txt", Mode: 0o600, Size: int64(len(planted))})
	tw.Write([]byte(planted))
	tw.Close()
	gz := gzip.NewWriter(&squeezed)
	gz.Write([]byte(planted))
	gz.Close()
	codes := func(s string) (hex, chars string) { // codes from 1 on, and the table that reads them
		for i, r := range []rune(s) {
			hex += fmt.Sprintf("%04x", i+1)
			chars += fmt.Sprintf("<%04x> <%04x>\n", i+1, r)
		}
		return hex, fmt.Sprintf("begincodespacerange <0000> <ffff> endcodespacerange\n%d beginbfchar\n%sendbfchar\n", len([]rune(s)), chars)
	}
	drawn, table := codes(planted)
	glyphs := "<</Type /Font /Subtype /Type1 /BaseFont /X /Encoding <</Differences [1 /B /r /adieresis /n /o /c /k]>>>>"
	docx := zipped(t, "[Content_Types].xml", "<Types/>", "word/document.xml",
		wordNS+`<w:p><w:r><w:t>for Odile Brän</w:t></w:r><w:r><w:rPr><w:b/></w:rPr><w:t>nock-Thorvald</w:t></w:r></w:p></w:body></w:document>`)
	return map[string][]byte{
		"utf-8.txt":                []byte("for " + planted),
		"decomposed.txt":           []byte(norm.NFD.String("for " + planted)),
		"soft-hyphen.txt":          []byte("for Brän\u00adnock"),
		"divided.txt":              []byte("the owner is Brän-\nnock again"),
		"toml-escape.toml":         []byte(`note = "for Br\u00e4nnock"`),
		"html.html":                []byte("<p>for Br&auml;nnock</p>"),
		"mail.eml":                 []byte("From: =?utf-8?q?Odile_Br=C3=A4nnock?="),
		"latin-1.txt":              latin(t, "für "+planted),
		"dos.txt":                  []byte("f\x81r Br\x84nnock, gr\x81\xe1e"), // code page 850
		"utf-16-le.txt":            wide("for "+planted, le, true),
		"utf-16-be.txt":            wide("for "+planted, binary.BigEndian, true),
		"utf-16-le-no-mark.txt":    wide("for "+planted, le, false),
		"utf-16-be-no-mark.txt":    wide("for "+planted, binary.BigEndian, false),
		"rtf.rtf":                  []byte(`{\rtf1\ansi{\fonttbl\f0 Arial;}for Br\'e4nnock\par}`),
		"letter.docx":              docx,
		"author.docx":              zipped(t, "[Content_Types].xml", "<Types/>", "docProps/core.xml", "<cp:coreProperties><dc:creator>"+planted+"</dc:creator></cp:coreProperties>"),
		"changes.docx":             zipped(t, "[Content_Types].xml", "<Types/>", "word/document.xml", wordNS+`<w:p><w:ins w:id="1" w:author="`+planted+`"><w:r><w:t>x</w:t></w:r></w:ins></w:p></w:body></w:document>`),
		"list.xlsx":                zipped(t, "[Content_Types].xml", "<Types/>", "xl/sharedStrings.xml", "<sst><si><t>C14</t></si><si><t>"+planted+"</t></si></sst>"),
		"letter.odt":               zipped(t, "mimetype", "application/vnd.oasis.opendocument.text", "content.xml", "<office:text><text:p>for Brän<text:span>nock</text:span></text:p></office:text>"),
		"list.ods":                 zipped(t, "mimetype", "application/vnd.oasis.opendocument.spreadsheet", "meta.xml", "<office:meta><meta:initial-creator>"+planted+"</meta:initial-creator></office:meta>"),
		"wide.docx":                zipped(t, "[Content_Types].xml", "<Types/>", "word/document.xml", string(wide("<w:p><w:t>"+planted+"</w:t></w:p>", le, true))),
		"in a zip.zip":             zipped(t, "papers/letter.docx", string(docx)),
		"in a picture.docx":        zipped(t, "[Content_Types].xml", "<Types/>", "word/media/image1.jpeg", string(jpegWith(t, 0xfe, planted))),
		"papers.tar":               tarred.Bytes(),
		"papers.txt.gz":            squeezed.Bytes(),
		"info.pdf":                 pdfOf([2]string{"<</Author (" + string(latin(t, planted)) + ")>>", ""}),
		"info-16.pdf":              pdfOf([2]string{fmt.Sprintf("<</Title <%x>>>", wide(planted, binary.BigEndian, true)), ""}),
		"info-octal.pdf":           pdfOf([2]string{`<</Author (Br\344nnock)>>`, ""}),
		"xmp.pdf":                  pdfOf([2]string{"/Type /Metadata /Subtype /XML /Filter /FlateDecode", xmp2}),
		"object-stream.pdf":        pdfOf([2]string{"/Type /ObjStm /N 1 /First 4 /Filter /FlateDecode", "9 0 <</Author (" + string(latin(t, planted)) + ")>>"}),
		"text.pdf":                 page("BT /F1 12 Tf (for "+string(latin(t, planted))+") Tj ET", helvetica),
		"kerned.pdf":               page("BT /F1 12 Tf [(Br\xe4) -20 (nn) 15 (ock)] TJ ET", helvetica),
		"letter-by-letter.pdf":     page("BT /F1 12 Tf (Br\xe4) Tj 9 0 Td (nnock) Tj ET", helvetica),
		"words-by-place.pdf":       page("BT /F1 12 Tf (for) Tj 20 0 Td (Br\xe4nnock) Tj 60 0 Td (as it is) Tj ET", helvetica),
		"own-codes.pdf":            page("BT /F1 12 Tf <"+drawn+"> Tj ET", "<</Type /Font /Subtype /Type0 /Encoding /Identity-H /ToUnicode 5 0 R>>", [2]string{"/Filter /FlateDecode", table}),
		"glyph-names.pdf":          page("BT /F1 12 Tf (\x01\x02\x03\x04\x04\x05\x06\x07) Tj ET", glyphs),
		"remark.pdf":               page("BT /F1 12 Tf (nothing) Tj ET", helvetica, [2]string{"<</Type /Annot /Contents (from " + string(latin(t, planted)) + ")>>", ""}),
		"file-in-it.pdf":           page("BT /F1 12 Tf (nothing) Tj ET", helvetica, [2]string{"/Type /EmbeddedFile /Filter /FlateDecode", "for " + planted}),
		"scan.pdf":                 pdfOf([2]string{"/Subtype /Image /Width 24 /Height 16 /Filter /DCTDecode", string(jpegWith(t, 0xfe, planted))}),
		"comment.jpg":              jpegWith(t, 0xfe, planted),
		"comment-latin.jpg":        jpegWith(t, 0xfe, string(name8)),
		"exif-artist.jpg":          jpegWith(t, 0xe1, "Exif\x00\x00"+exifBlock(0x013b, planted+"\x00", 1, false)),
		"exif-windows.jpg":         jpegWith(t, 0xe1, "Exif\x00\x00"+exifBlock(0x9c9d, string(wide(planted, le, false)), 1, false)),
		"exif-remark.jpg":          jpegWith(t, 0xe1, "Exif\x00\x00"+exifBlock(0x9286, "ASCII\x00\x00\x00"+string(name8), 1, false)),
		"xmp.jpg":                  jpegWith(t, 0xe1, "http://ns.adobe.com/xap/1.0/\x00"+xmp),
		"iptc.jpg":                 jpegWith(t, 0xed, iptc),
		"text.png":                 pngWith(t, "tEXt", "Author\x00"+string(name8)),
		"packed.png":               pngWith(t, "zTXt", "Author\x00\x00"+deflated(string(name8))),
		"international.png":        pngWith(t, "iTXt", "Author\x00\x00\x00\x00\x00"+planted),
		"packed-international.png": pngWith(t, "iTXt", "Author\x00\x01\x00\x00\x00"+deflated(planted)),
		"xmp.png":                  pngWith(t, "iTXt", "XML:com.adobe.xmp\x00\x00\x00\x00\x00"+xmp2),
		"exif.png":                 pngWith(t, "eXIf", exifBlock(0x013b, planted+"\x00", 1, false)),
		"comment.gif":              []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00!\xfe" + string(rune(len(name8))) + string(name8) + "\x00;"),
		"xmp.webp":                 riffOf(le, "RIFF", "WEBP", riffChunk(le, "VP8L", "\x2f\x00\x00\x00\x00"), riffChunk(le, "XMP ", xmp2)),
		"scan.tif":                 []byte(exifBlock(0x013b, planted+"\x00", 1, false)),
		"list.wav":                 wavWith(riffChunk(le, "LIST", "INFO"+riffChunk(le, "IART", string(name8)+"\x00"))),
		"label.wav":                wavWith(riffChunk(le, "LIST", "adtl"+riffChunk(le, "labl", "\x01\x00\x00\x00"+planted+"\x00"))),
		"broadcast.wav":            wavWith(riffChunk(le, "bext", planted+strings.Repeat("\x00", 256)+"recorder"+strings.Repeat("\x00", 330))),
		"name.aiff":                riffOf(binary.BigEndian, "FORM", "AIFF", riffChunk(binary.BigEndian, "AUTH", planted)),
		"comment.flac":             flacWith(vorbis("ARTIST=" + planted)),
		"comment.ogg":              []byte(oggPage("\x01vorbis head") + oggPage("\x03vorbis"+vorbis("ARTIST="+planted))),
		"comment.opus":             []byte(oggPage("OpusHead") + oggPage("OpusTags"+vorbis("ARTIST="+planted))),
		"latin.mp3":                id3With("TPE1", 0, name8),
		"wide.mp3":                 id3With("TPE1", 1, wide(planted, le, true)),
		"utf-8.mp3":                id3With("TPE1", 3, []byte(planted)),
		"old.mp3":                  append([]byte("\xff\xfb\x90\x00sound"+strings.Repeat("\x55", 200)+"TAG"), fmt.Sprintf("%-125s", "Odile Brannock")[:125]...),
		"unknown.bin":              append([]byte{0, 1, 2, 3, 0xfe, 0xff, 0x80}, "\x00\x00\x01Odile Brannock\x00\x00"...),
		"film.mp4":                 []byte("\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom\x00\x00\x00\x20moov\x00\x00\x00\x18udtaOdile Brannock\x00\x00"),
		"old.doc":                  append([]byte("\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1\x00\x00"), wide("Odile Brannock", le, false)...),
	}
}

// TestCorpus: a customer's name is found in every kind of file that is looked
// into, and in the plain bytes of those that are not.
func TestCorpus(t *testing.T) {
	s := search()
	for name, data := range corpus(t) {
		if r := s.File("files/"+name, data); !named(r) {
			t.Errorf("%s: the name was not found; findings %q, not seen %v", name, texts(r), r.Unseen)
		}
	}
}

// TestUnseen: what cannot be looked into is named, and what can is not.
func TestUnseen(t *testing.T) {
	s := search()
	blind := map[string][]byte{
		"old office file": []byte("\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1\x00\x00\x01\x02"),
		"MP4":             []byte("\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom"),
		"HEIC":            []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"),
		"unknown kind":    {0, 1, 2, 3, 0xfe, 0xff, 0x80, 0, 0, 9},
		"locked":          append(pdfOf([2]string{"/Filter /FlateDecode", "BT (x) Tj ET"}), "trailer <</Encrypt 9 0 R>>"...),
		"are pictures":    pdfOf([2]string{"/Subtype /Image /Width 24 /Height 16 /Filter /DCTDecode", string(plainJPEG(t))}),
		"its letters":     page("BT /F1 12 Tf <00010002> Tj ET", "<</Type /Font /Subtype /Type0 /Encoding /Identity-H>>"),
		"zip: it is":      []byte("PK\x03\x04broken"),
		"behind the pict": append(plainJPEG(t), "PK\x03\x04 more"...),
		"JPEG: it is":     plainJPEG(t)[:40],
		"PNG: it is":      plainPNG(t)[:50],
		"RAR":             zipped(t, "a.rar", "Rar!\x1a\x07\x00\x01\x02"),
		`called "caBX"`:   pngWith(t, "caBX", "x"),
	}
	for want, data := range blind {
		r := s.File("files/thing.dat", data)
		if !slices.ContainsFunc(r.Unseen, func(u Unseen) bool { return strings.Contains(u.Kind, want) }) {
			t.Errorf("%s: not seen says %v", want, r.Unseen)
		}
		if len(r.Unseen) > 0 && !strings.HasPrefix(r.Unseen[0].String(), "thing.dat (") {
			t.Errorf("%v does not name the file", r.Unseen[0])
		}
	}
	for name, data := range map[string][]byte{
		"a.txt": []byte("R5 is open"), "b.jpg": plainJPEG(t), "c.png": plainPNG(t), "d.wav": wavWith(), "e.flac": flacWith(vorbis()),
		"f.pdf": page("BT /F1 12 Tf (the supply) Tj ET", helvetica), "g.docx": zipped(t, "[Content_Types].xml", "<Types/>", "word/document.xml", "<w:p>the supply</w:p>"),
	} {
		if r := s.File("files/"+name, data); len(r.Unseen)+len(r.Findings) > 0 {
			t.Errorf("%s: %v %v", name, r.Unseen, texts(r))
		}
	}
}

// TestNames: what of a customer is found, however it is written.
func TestNames(t *testing.T) {
	s := NewSearch([]Person{customer, {Name: "Maria von der Aalst"}, {Name: "Bo Li"}, {Name: "Jürgen Müller"}, {Name: "Mark Green"}, {Name: "O'Kelleher & Sons Ltd"},
		{Name: "Jørgen Łukasz"}, {Name: "渡辺 京子"}, {Name: "Penhallow GmbH"}}, nil)
	for text, want := range map[string]string{
		"for odile":                             "odile",
		"Brannock asked":                        "Brannock",
		"the Brännocks' own":                    "Brännocks",
		"Brannock's amplifier":                  "Brannock",
		"THORVALD":                              "THORVALD",
		"seen by Odile Brannock-Thorvald today": "Odile Brannock-Thorvald",
		"Thorvald, Odile: collected":            "Thorvald",
		"from the Aalst house":                  "Aalst",
		"Aalsts":                                "Aalsts",
		"Bo wants it":                           "Bo",
		"called Li again":                       "Li",
		"for Mueller":                           "Mueller",
		"for Müllers wife":                      "Müllers",
		"for MULLER":                            "MULLER",
		"it is Mark Green who plays":            "Mark Green",
		"we gave Green the keys":                "Green",
		"Kelleher came":                         "Kelleher",
		"Joergen came":                          "Joergen",
		"Jorgen Lukasz":                         "Jorgen Lukasz",
		"京子渡辺 様":                                "京子",
		"brannock2031.pdf":                      "brannock",
		"OdileBrannock-Scan":                    "Odile",
		"odilebrannock":                         "", // half of a double-barrelled name, glued to another: not looked for
		"in Wolmersheim":                        "Wolmersheim",
		"at Fennick St.":                        "Fennick St",
		"14, Fennick Street":                    "14, Fennick Street",
		"Ruvenal rang":                          "Ruvenal",
		"he wants the loud keys left as it was": "wants the loud keys left",
		"number +49 171 3920034":                "+49 171 3920034",
		"0170/555 12 34":                        "0170/555 12 34",
		"Penhallow's":                           "Penhallow",
	} {
		var got []string
		for _, f := range s.File("note.txt", []byte(text)).Findings {
			got = append(got, f.Text)
		}
		if want == "" {
			if len(got) > 0 {
				t.Errorf("%q: found %q", text, got)
			}
		} else if !slices.ContainsFunc(got, func(g string) bool { return g == want || strings.HasPrefix(g, want) && len(g) <= len(want)+12 }) {
			t.Errorf("%q: found %q, not %q", text, got, want)
		}
	}
	if got := texts(s.File("scan-of-Brannock.pdf", page("BT /F1 12 Tf (x) Tj ET", helvetica))); len(got) != 1 {
		t.Errorf("the name of a file: %q", got)
	}
}

// TestForms: prices, numbers and addresses as people write them.
func TestForms(t *testing.T) {
	s := NewSearch(nil, []string{"Halden Street Workshop, bench@halden-street.example, +44 20 7946 0999"})
	for text, what := range map[string]string{
		"450,-": aPrice, "for 450.- in all": aPrice, "1.200 Euro": aPrice, "1200 euros": aPrice, "450 EUR": aPrice, "450EUR": aPrice, "EUR450": aPrice, "€ 450": aPrice, "€450": aPrice,
		"450 €": aPrice, "450€": aPrice, "£1,200.00": aPrice, "USD 450": aPrice, "US$ 450": aPrice, "$450.50": aPrice, "CHF 1'200.–": aPrice, "SFr. 1200": aPrice,
		"4500 SEK": aPrice, "450 quid": aPrice, "paid 1200 for it": aPrice, "quoted 480 once": aPrice, "Preis: 450": aPrice, "3 pounds 50": aPrice, "1\u00a0200\u00a0€": aPrice,
		"0171 392 00 34": aNumber, "+49 30 23125 123": aNumber, "+44 (0)20 7946 0123": aNumber, "(020) 7946 0123": aNumber, "01 99 00 67 89": aNumber,
		"030/23125123": aNumber, "01713920034": aNumber, "(212) 555-0123": aNumber, "212-555-0123": aNumber, "tel. 555 0134": aNumber, "Telefon: 5550134": aNumber, "0049 30 23125123": aNumber,
		"a.b@c.example": aMail,
	} {
		r := s.File("note.txt", []byte("so "+text+" it is"))
		if len(r.Findings) != 1 || r.Findings[0].What != what {
			t.Errorf("%q: %+v", text, r.Findings)
		}
	}
}

// TestHonest: what a bench writes every day is no finding.
func TestHonest(t *testing.T) {
	s := NewSearch([]Person{customer, {Name: "Maria von der Aalst"}, {Name: "Bo Li"}, {Name: "Mark Green"}, {Name: "Will Short"}, {Name: "Ada Key"}, {Name: "An van de Berg"}, {Name: "Tone Music Ltd"}},
		[]string{"Halden Street Workshop", "bench@halden-street.example", "Maren Wickstead"})
	for _, line := range []string{
		"C14 22 uF 450 V replaced by 22 uF 450 V", "450 V, 22 uF, 1.200 k, 4u7, 2k2", "R5 reads 1.200 k, R6 1,200 ohm", "charged to 450 V, 12.5 mA drawn",
		"date = 2031-03-04", "from 04.03.2031 to 12.05.2031", "2031-03-04T10:00:00+01:00", "12/03/2031, 10:30", "date code 7432, lot 0412-33871",
		`serial = "0412 338 7100"`, `part_number = "0171 392 00 35"`, "serial number 0123456789", "S/N 012-345-67890", "IC4 CA3046, marked 471-222-1234 7432",
		"Corvane part no. 0412 33871", "type 0123 45678 on the chassis", "rails +15 V, -15 V and +5 V", "+15 -15 5 12 24 measured", "pins 1,-2,-3", "0.123 456 789",
		"uuid = \"0f8fad5b-d9cb-469f-a165-70867728950e\"", "the von Neumann adder", "die Platine, der Trafo, das Netzteil", "the green wire and the black one", "Green LED dark",
		"a short on the mark", "will not play; key 17 dead", "Key 17 dead. Short in C3.", "Li-ion cell", "an IC by the la pot", "Bo1 and LI2 on the board", "check the tone control", "music sounds right",
		"open 0900-1730", "100,000 hours", "at 20 °C, 65 % RH", "440 Hz, 12 cents sharp", "50 cents flat", "weighs 60 pounds", "key weight 2 pounds of force", "Eurorack, 3 eurorack modules",
		"Halden Street Workshop", "bench@halden-street.example", "tightened by Maren Wickstead", "1,000,000 cycles", "20 dB, 600 ohm, 4 V", "EPROM 27C256, checksum 0x0A12 0B34", "hex 00 1A 2B 3C 4D 5E",
		"sha256 = \"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855\"", "2200 uF/63 V", "M3 x 12 screws, 8 pieces", "priced parts list", "wants new keys", "the loud keys are as they were",
		"revision 3.14.159", "thickness 0.15 mm, 0.2 mm", "keys 1-61, 2-3, 10-12", "C1-C12, C15", "resistors 1 k, 10 k, 100 k, 1 M", "position 10 20 30 40", "the upper street entrance",
		"parts!$A$1:$R$122, $1:$1, =B$2*C$20", "LibreOffice/24.2.7.2$Linux_X86_64 LibreOffice_project/420$Build-2",
	} {
		if r := s.File("2031-03-04-note-7q3f.toml", []byte(line)); len(r.Findings) > 0 {
			t.Errorf("%q: %s %q", line, r.Findings[0].What, texts(r))
		}
	}
}

// TestKeys: each finding has a key of its own, which stays while other lines
// change.
func TestKeys(t *testing.T) {
	s := search()
	text := "one\nOdile Brannock pays 480 EUR and Brannock knows\nfor Odile\nfor Odile\n"
	r := s.File("a.toml", []byte(text))
	if len(r.Findings) != 5 {
		t.Fatalf("%+v", r.Findings)
	}
	keys := map[string]bool{}
	for _, f := range r.Findings {
		keys[f.Key] = true
	}
	if len(keys) != 5 {
		t.Errorf("keys are shared: %+v", r.Findings)
	}
	again := s.File("a.toml", []byte("a new line\n"+text))
	for i, f := range again.Findings {
		if f.Key != r.Findings[i].Key || f.Line != r.Findings[i].Line+1 {
			t.Errorf("%+v after a line was put before, %+v", f, r.Findings[i])
		}
	}
	if other := s.File("b.toml", []byte(text)); keys[other.Findings[0].Key] {
		t.Error("a key of one file is one of another")
	}
	if r := s.File("a.toml", []byte("one\nOdile Brannock pays 490 EUR")); keys[r.Findings[0].Key] {
		t.Error("the key stays while its line is another one")
	}
}

// TestStrip: metadata goes, the picture and the sound stay.
func TestStrip(t *testing.T) {
	s := search()
	pixels := func(data []byte) []byte {
		m, _, err := image.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		for y := range m.Bounds().Dy() {
			for x := range m.Bounds().Dx() {
				r, g, bl, a := m.At(x, y).RGBA()
				binary.Write(&b, binary.BigEndian, []uint32{r, g, bl, a})
			}
		}
		return b.Bytes()
	}
	stripped := 0
	for name, data := range corpus(t) {
		bare := Strip(data)
		if len(bare.Removed) == 0 {
			if !bytes.Equal(bare.Data, data) {
				t.Errorf("%s: changed without a word", name)
			}
			if strings.HasSuffix(name, ".jpg") || strings.HasSuffix(name, ".png") || strings.HasSuffix(name, ".wav") || strings.HasSuffix(name, ".mp3") || strings.HasSuffix(name, ".flac") || strings.HasSuffix(name, ".webp") {
				t.Errorf("%s: nothing was taken out", name)
			} else if len(bare.Left) == 0 && !strings.HasPrefix(name, "utf-") && strings.HasSuffix(name, ".pdf") {
				t.Errorf("%s: nothing is said to be left in it", name)
			}
			continue
		}
		stripped++
		if r := s.File("files/x", bare.Data); len(r.Findings)+len(r.Unseen) > 0 {
			t.Errorf("%s: still %q %v", name, texts(r), r.Unseen)
		}
		if again := Strip(bare.Data); len(again.Removed) > 0 || !bytes.Equal(again.Data, bare.Data) {
			t.Errorf("%s: a second time takes out %q", name, again.Removed)
		}
		if strings.HasSuffix(name, ".jpg") || strings.HasSuffix(name, ".png") {
			if !bytes.Equal(pixels(bare.Data), pixels(data)) {
				t.Errorf("%s: the picture is another one", name)
			}
		}
	}
	if stripped < 20 {
		t.Errorf("only %d files were stripped", stripped)
	}
	turned := jpegWith(t, 0xe1, "Exif\x00\x00"+exifBlock(0x013b, planted+"\x00", 6, true))
	if r := s.File("x.jpg", turned); !slices.ContainsFunc(r.Findings, func(f Finding) bool { return strings.HasPrefix(f.What, "where the picture") }) {
		t.Errorf("the place is no finding: %q", texts(r))
	}
	bare := Strip(turned)
	list, _ := segments(bare.Data)
	if len(list) == 0 || wayUp(list[0].body[6:]) != 6 {
		t.Error("the way up is gone")
	}
	if r := s.File("x.jpg", bare.Data); len(r.Findings) > 0 {
		t.Errorf("the way up alone is a finding: %q", texts(r))
	}
	wav := Strip(wavWith(riffChunk(binary.LittleEndian, "LIST", "INFO"+riffChunk(binary.LittleEndian, "IART", "Odile\x00"))))
	if want := wavWith(); !bytes.Equal(wav.Data, want) {
		t.Errorf("a WAV without its list is %q, not %q", wav.Data, want)
	}
}

// TestHostile: files made to take time or memory take little of either, and are
// said not to have been looked into as a whole.
func TestHostile(t *testing.T) {
	zeros := strings.Repeat("\x00", 64<<20)
	bomb := zipped(t, "zeros", zeros)
	deep := []byte(planted)
	for range 12 {
		deep = zipped(t, "a.zip", string(deep))
	}
	many := make([]string, 0, 4*maxParts)
	for i := range 2 * maxParts {
		many = append(many, fmt.Sprintf("f%d", i), "x")
	}
	text := strings.Repeat("so far so good ", 64<<20/15)
	for name, data := range map[string][]byte{
		"zip bomb":        bomb,
		"zips in zips":    deep,
		"many files":      zipped(t, many...),
		"huge PNG text":   pngWith(t, "zTXt", "Comment\x00\x00"+deflated(text)),
		"PDF bomb":        pdfOf([2]string{"/Filter /FlateDecode", text}),
		"PDF bomb, twice": pdfOf([2]string{"/Filter [/FlateDecode /FlateDecode]", deflated(zeros)}),
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r := search().File("files/x", data)
		runtime.ReadMemStats(&after)
		if len(r.Unseen) == 0 {
			t.Errorf("%s: nothing is said", name)
		}
		if used := after.TotalAlloc - before.TotalAlloc; used > 700<<20 {
			t.Errorf("%s: took %d MB in all", name, used>>20)
		}
	}
	// These are looked into as a whole; it is enough that it ends.
	for name, data := range map[string][]byte{
		"deep XML":        zipped(t, "[Content_Types].xml", "<Types/>", "word/document.xml", strings.Repeat("<a>", 8<<20)),
		"open brackets":   pdfOf([2]string{strings.Repeat("(", 1<<20), ""}),
		"open hex":        pdfOf([2]string{strings.Repeat("<", 1<<20), ""}),
		"many streams":    []byte("%PDF-1.5\n" + strings.Repeat("stream\nendstream\n", 1<<17)),
		"many objects":    []byte("%PDF-1.5\n" + strings.Repeat("1 0 obj\n", 1<<17)),
		"open quotes":     zipped(t, "[Content_Types].xml", "<Types/>", "a.xml", strings.Repeat("<a b='", 1<<20)),
		"marks on a mark": []byte("a" + strings.Repeat("\u0301", 1<<20)),
		"many names":      []byte(strings.Repeat("Odile Brannock\n", 1<<17)),
		"a loop of Exif":  jpegWith(t, 0xe1, "Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x01\x87\x69\x00\x04\x00\x00\x00\x01\x00\x00\x00\x08\x00\x00\x00\x08"),
		"Exif overlaid":   []byte("MM\x00*\x00\x00\x00\x08\x10\x00" + strings.Repeat("\x92\x7c\x00\x07\x00\x0f\x00\x00\x00\x00\x00\x08", 1<<17)),
		"one dictionary":  []byte("%PDF-1.5\n1 0 obj\n<<" + strings.Repeat("/A ", 1<<18) + ">>" + strings.Repeat("stream\nendstream\n", maxParts)),
		"numbers":         []byte(strings.Repeat("0171 392 0034, ", 1<<18)),
		"one long line":   []byte(strings.Repeat("0171 392 ", 1<<18)),
	} {
		begin := time.Now()
		r := search().File("files/x", data)
		t.Logf("%s: %v", name, time.Since(begin).Round(time.Millisecond))
		if len(r.Findings) > maxFindings+1 {
			t.Errorf("%s: %d findings are listed", name, len(r.Findings))
		}
	}
}

// FuzzFile: no file stops the reader, and what Strip makes of it is looked at as
// well and needs no second time.
func FuzzFile(f *testing.F) {
	for _, data := range corpus(f) {
		f.Add(data)
	}
	s := search()
	f.Fuzz(func(t *testing.T, data []byte) {
		s.File("files/x", data)
		bare := Strip(data)
		if len(bare.Removed) > 0 {
			s.File("files/x", bare.Data)
			if again := Strip(bare.Data); len(again.Removed) > 0 {
				t.Errorf("taken out the second time: %q", again.Removed)
			}
		}
	})
}
