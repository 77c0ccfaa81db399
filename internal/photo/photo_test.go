package photo_test

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/photo"
)

// corners is a picture whose four quarters have a colour each, as it is seen:
// red, green above, blue, white below.
func corners(w, h int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.SetRGBA(x, y, [2][2]color.RGBA{{{220, 0, 0, 255}, {0, 200, 0, 255}}, {{0, 0, 220, 255}, {255, 255, 255, 255}}}[y*2/h][x*2/w])
		}
	}
	return img
}

func asJPEG(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: 90}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// withExif puts an EXIF segment into a JPEG (CIPA DC-008-2019, 4.5.4 and 4.6.2: APP1,
// "Exif", a TIFF head, IFD0 with Orientation 0x0112, Make 0x010F and the pointer
// 0x8825 to a GPS IFD with latitude and its reference).
func withExif(jpg []byte, orientation uint16) []byte {
	var t bytes.Buffer
	le := binary.LittleEndian
	put := func(v any) { _ = binary.Write(&t, le, v) }
	entry := func(tag, kind uint16, count, value uint32) { put(tag); put(kind); put(count); put(value) }
	t.WriteString("II*\x00")
	put(uint32(8))
	put(uint16(3))
	entry(0x010F, 2, 12, 50)                              // Make, at 50
	entry(0x0112, 3, 1, uint32(orientation))              // Orientation, short
	entry(0x8825, 4, 1, 62)                               // GPS IFD, at 62
	put(uint32(0))                                        // 46: no IFD1
	t.WriteString("SECRETMAKER\x00")                      // 50
	put(uint16(2))                                        // 62
	entry(1, 2, 2, uint32('N'))                           // GPSLatitudeRef
	entry(2, 5, 3, 92)                                    // GPSLatitude, at 92
	put(uint32(0))                                        // 88
	for _, v := range []uint32{52, 1, 31, 1, 1234, 100} { // 92
		put(v)
	}
	seg := append([]byte("Exif\x00\x00"), t.Bytes()...)
	out := append([]byte{}, jpg[:2]...)
	out = append(out, 0xff, 0xe1)
	out = binary.BigEndian.AppendUint16(out, uint16(len(seg)+2))
	return append(append(out, seg...), jpg[2:]...)
}

// stored is how a camera stores a picture with an orientation: row and column of
// the stored picture stand where CIPA DC-008 (table of tag 274) says. 1: row 0 is
// the top, column 0 the left; 2: top, right; 3: bottom, right; 4: bottom, left; 5:
// left, top; 6: right, top; 7: right, bottom; 8: left, bottom.
func stored(seen *image.RGBA, o int) *image.RGBA {
	w, h := seen.Bounds().Dx(), seen.Bounds().Dy()
	sw, sh := w, h
	if o >= 5 {
		sw, sh = h, w
	}
	out := image.NewRGBA(image.Rect(0, 0, sw, sh))
	for r := range sh {
		for c := range sw {
			x, y := c, r
			switch o {
			case 2:
				x = w - 1 - c
			case 3:
				x, y = w-1-c, h-1-r
			case 4:
				y = h - 1 - r
			case 5:
				x, y = r, c
			case 6:
				x, y = w-1-r, c
			case 7:
				x, y = w-1-r, h-1-c
			case 8:
				x, y = r, h-1-c
			}
			out.SetRGBA(c, r, seen.RGBAAt(x, y))
		}
	}
	return out
}

// seesCorners tells whether a kept picture shows corners the right way up.
func seesCorners(t *testing.T, jpg []byte) bool {
	t.Helper()
	img, err := jpeg.Decode(bytes.NewReader(jpg))
	if err != nil {
		t.Fatal(err)
	}
	b := img.Bounds()
	at := func(x, y int) (r, g, bl uint32) {
		r, g, bl, _ = img.At(b.Dx()*x/4, b.Dy()*y/4).RGBA()
		return r >> 8, g >> 8, bl >> 8
	}
	near := func(x, y int, want [3]uint32) bool {
		r, g, bl := at(x, y)
		for i, v := range []uint32{r, g, bl} {
			if v+30 < want[i] || v > want[i]+30 {
				return false
			}
		}
		return true
	}
	return near(1, 1, [3]uint32{220, 0, 0}) && near(3, 1, [3]uint32{0, 200, 0}) && near(1, 3, [3]uint32{0, 0, 220}) && near(3, 3, [3]uint32{255, 255, 255})
}

// TestOrientationInBothOrders reads the tag from an Exif written by hand in either order
// of bytes (TIFF 6.0, section 2: II and MM; CIPA DC-008, tag 0x0112, a SHORT).
func TestOrientationInBothOrders(t *testing.T) {
	jpg := asJPEG(t, corners(320, 200))
	for _, x := range []struct {
		tiff   string
		turned bool
	}{
		{"II*\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00\x06\x00\x00\x00\x00\x00\x00\x00", true},
		{"MM\x00*\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00\x00\x00\x00\x00", true},
		{"MM\x00*\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00\x09\x00\x00\x00\x00\x00\x00", false}, // no such way up
		{"MM\x00*\x00\x00\x00\x08\xff\xff\x01\x0f\x00\x02\x7f\xff\xff\xff\x00\x00\x00\x1a", false},                 // claims more than there is
		{"MM\x00*\xff\xff\xff\xff", false},
	} {
		seg := "Exif\x00\x00" + x.tiff
		sent := slices.Concat(jpg[:2], []byte{0xff, 0xe1, 0, byte(len(seg) + 2)}, []byte(seg), jpg[2:])
		p, err := photo.Clean(sent)
		if turned := p.Width == 200; err != nil || turned != x.turned {
			t.Errorf("%q: %d × %d, %v", x.tiff, p.Width, p.Height, err)
		}
	}
}

func TestOrientationIsKeptAndNothingElse(t *testing.T) {
	seen := corners(320, 200)
	for o := 1; o <= 8; o++ {
		sent := withExif(asJPEG(t, stored(seen, o)), uint16(o))
		p, err := photo.Clean(sent)
		if err != nil {
			t.Fatalf("orientation %d: %v", o, err)
		}
		if p.Width != 320 || p.Height != 200 || !seesCorners(t, p.JPEG) || !seesCorners(t, p.Thumb) {
			t.Errorf("orientation %d: %d × %d, the right way up: %v", o, p.Width, p.Height, seesCorners(t, p.JPEG))
		}
		for _, left := range []string{"Exif", "SECRETMAKER", "II*\x00"} {
			if !bytes.Contains(sent, []byte(left)) || bytes.Contains(p.JPEG, []byte(left)) || bytes.Contains(p.Thumb, []byte(left)) {
				t.Errorf("orientation %d: %q was sent and is kept", o, left)
			}
		}
		for at := 2; at+4 < len(p.JPEG) && p.JPEG[at+1] != 0xda; at += 2 + int(binary.BigEndian.Uint16(p.JPEG[at+2:])) {
			if m := p.JPEG[at+1]; m >= 0xe1 && m <= 0xef || m == 0xfe {
				t.Errorf("orientation %d: the kept file has a segment %x", o, m)
			}
		}
		again, err := photo.Clean(sent)
		if err != nil || !bytes.Equal(again.JPEG, p.JPEG) {
			t.Errorf("orientation %d: the same file gives other bytes, %v", o, err)
		}
	}
	// A tag that is damaged turns nothing and refuses nothing.
	for _, o := range []uint16{0, 9, 65535} {
		if p, err := photo.Clean(withExif(asJPEG(t, seen), o)); err != nil || !seesCorners(t, p.JPEG) {
			t.Errorf("orientation %d: %v", o, err)
		}
	}
	cut := withExif(asJPEG(t, seen), 6)
	copy(cut[12:], "XX")
	if p, err := photo.Clean(cut); err != nil || !seesCorners(t, p.JPEG) {
		t.Errorf("EXIF that is none: %v", err)
	}
}

func TestSizesAndFormats(t *testing.T) {
	p, err := photo.Clean(asJPEG(t, corners(3000, 2000)))
	if err != nil || p.Width != 1600 || p.Height != 1067 || !seesCorners(t, p.JPEG) {
		t.Errorf("a large one: %d × %d, %v", p.Width, p.Height, err)
	}
	if img, err := jpeg.DecodeConfig(bytes.NewReader(p.Thumb)); err != nil || img.Width != 240 {
		t.Errorf("its thumbnail: %d wide, %v", img.Width, err)
	}
	if p, err := photo.Clean(asJPEG(t, corners(5000, 2))); err != nil || p.Width != 1600 || p.Height != 1 {
		t.Errorf("a long one: %d × %d, %v", p.Width, p.Height, err)
	}
	var b bytes.Buffer
	seen := corners(64, 64)
	seen.SetRGBA(0, 0, color.RGBA{}) // seen through
	if err := png.Encode(&b, seen); err != nil {
		t.Fatal(err)
	}
	if p, err := photo.Clean(b.Bytes()); err != nil || !seesCorners(t, p.JPEG) {
		t.Errorf("PNG: %v", err)
	}
	// What hangs on behind the end is nobody's business.
	if p, err := photo.Clean(append(b.Bytes(), "\xff\xff\xff\xff and more"...)); err != nil || p.Width != 64 {
		t.Errorf("a PNG with more behind its end: %d wide, %v", p.Width, err)
	}
	// A test picture of golang.org/x/image.
	w, err := os.ReadFile(filepath.Join("testdata", "blue-purple-pink.lossy.webp"))
	if err != nil {
		t.Fatal(err)
	}
	for name, sent := range map[string][]byte{"WebP": w, "WebP with more behind its end": append(slices.Clone(w), "EXIF\xff\xff\xff\xff"...)} {
		if p, err := photo.Clean(sent); err != nil || p.Width != 150 || p.Height != 100 {
			t.Errorf("%s: %d × %d, %v", name, p.Width, p.Height, err)
		}
	}
}

// bomb is a PNG of a size with next to nothing in it (PNG, 5.6: length, name, data,
// CRC; the decoder checks the CRC of the head).
func bomb(w, h uint32, depth byte) []byte {
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 1, 1))); err != nil {
		panic(err)
	}
	out := b.Bytes()
	binary.BigEndian.PutUint32(out[16:], w)
	binary.BigEndian.PutUint32(out[20:], h)
	out[24], out[25] = depth, 2
	binary.BigEndian.PutUint32(out[29:], crc(out[12:29]))
	return out
}

func TestWhatCannotBeTakenIsRefusedSoon(t *testing.T) {
	var moving bytes.Buffer
	g := &gif.GIF{Image: []*image.Paletted{image.NewPaletted(image.Rect(0, 0, 2, 2), color.Palette{color.Black, color.White})}, Delay: []int{1}}
	if err := gif.EncodeAll(&moving, g); err != nil {
		t.Fatal(err)
	}
	whole := asJPEG(t, corners(400, 300))
	acTL := bomb(1, 1, 8)
	acTL = append(append(append([]byte{}, acTL[:33]...), append([]byte("\x00\x00\x00\x08acTL\x00\x00\x00\x02\x00\x00\x00\x00"), 0, 0, 0, 0)...), acTL[33:]...)
	// Parts behind the head of a PNG: length, name, data, check (not looked at by whoever refuses).
	part := func(length uint32, name string, data []byte) []byte {
		small := bomb(1, 1, 8)
		p := append(binary.BigEndian.AppendUint32(nil, length), name...)
		return slices.Concat(small[:33], p, data, []byte{0, 0, 0, 0}, small[33:])
	}
	var profile bytes.Buffer
	z := zlib.NewWriter(&profile)
	if _, err := z.Write(make([]byte, 64<<20)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	grows := append([]byte("x\x00\x00"), profile.Bytes()...)
	for name, x := range map[string]struct {
		data  []byte
		kind  fault.Kind
		words string
	}{
		"a part that claims 2 GB":     {part(1<<31-1, "tEXt", nil), fault.Invalid, "cut off"},
		"a profile of 64 MB in 64 kB": {part(uint32(len(grows)), "iCCP", grows), fault.Invalid, "cut off"},
		"a WebP's part of 4 GB":       {[]byte("RIFF\x20\x00\x00\x00WEBPVP8X\x0a\x00\x00\x00\x20\x00\x00\x00\x02\x00\x00\x02\x00\x00ICCP\xff\xff\xff\xff"), fault.Invalid, "cut off"},
		"nothing":                     {nil, fault.Invalid, "no picture"},
		"SVG":                         {[]byte(`<svg xmlns="http://www.w3.org/2000/svg"><script>x()</script></svg>`), fault.Invalid, "no picture"},
		"HTML":                        {[]byte("<html><script>x()</script>"), fault.Invalid, "no picture"},
		"GIF":                         {append(moving.Bytes(), "<script>"...), fault.Invalid, "no picture"},
		"HEIC":                        {append([]byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"), make([]byte, 64)...), fault.Invalid, "JPEG"},
		"30,000 × 30,000 in a kB":     {bomb(30_000, 30_000, 8), fault.TooLarge, "30000 × 30000"},
		"65,535 × 65,535":             {bomb(65_535, 65_535, 8), fault.TooLarge, "million"},
		"2³¹ wide":                    {bomb(1<<31-1, 1<<31-1, 8), fault.Invalid, "damaged"},
		"40 million exactly":          {bomb(8000, 5000, 8), fault.Invalid, "damaged"}, // within the limit, but empty
		"40 million and a row":        {bomb(8000, 5001, 8), fault.TooLarge, "at most 40 million"},
		"30 million at 16 bits":       {bomb(6000, 5000, 16), fault.TooLarge, "at most 20 million"},
		"an animated PNG":             {acTL, fault.Invalid, "moves"},
		"cut JPEG":                    {whole[:len(whole)/3], fault.Invalid, "cut off"},
		"the head of a JPEG":          {whole[:4], fault.Invalid, "cut off"},
		"more than 10 MB":             {append(whole, make([]byte, photo.LargestFile)...), fault.TooLarge, "10 MB"},
		"an archive":                  {[]byte("PK\x03\x04aaaaaaaaaaaaaa"), fault.Invalid, "no picture"},
		"a text called a JPEG's name": {[]byte("holiday.jpg"), fault.Invalid, "no picture"},
	} {
		began := time.Now()
		_, err := photo.Clean(x.data)
		if !fault.Is(err, x.kind) || !strings.Contains(err.Error(), x.words) {
			t.Errorf("%s: got %v, want a refusal with %q", name, err, x.words)
		}
		if took := time.Since(began); took > 2*time.Second {
			t.Errorf("%s: refused after %s", name, took)
		}
	}
}

func crc(b []byte) uint32 {
	c := ^uint32(0)
	for _, x := range b {
		c ^= uint32(x)
		for range 8 {
			c = c>>1 ^ 0xedb88320*(c&1)
		}
	}
	return ^c
}

// FuzzClean: no file brings the decoder down, and what is kept is a JPEG within the
// limits, without a segment of its own.
func FuzzClean(f *testing.F) {
	small := asJPEG(f, corners(24, 16))
	f.Add(small)
	f.Add(withExif(small, 6))
	f.Add(bomb(3, 3, 8))
	if w, err := os.ReadFile(filepath.Join("testdata", "blue-purple-pink.lossy.webp")); err == nil {
		f.Add(w)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := photo.Clean(data)
		if err != nil {
			if !fault.Is(err, fault.Invalid) && !fault.Is(err, fault.TooLarge) {
				t.Fatalf("%v", err)
			}
			return
		}
		c, err := jpeg.DecodeConfig(bytes.NewReader(p.JPEG))
		if err != nil || c.Width != p.Width || c.Height != p.Height || max(c.Width, c.Height) > photo.Longest {
			t.Fatalf("kept %d × %d, said %d × %d, %v", c.Width, c.Height, p.Width, p.Height, err)
		}
	})
}

func BenchmarkClean12MP(b *testing.B) {
	sent := asJPEG(b, corners(4000, 3000))
	for b.Loop() {
		if _, err := photo.Clean(sent); err != nil {
			b.Fatal(err)
		}
	}
}
