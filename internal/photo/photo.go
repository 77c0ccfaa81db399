// Package photo makes what a camera or a browser sent into a picture that may be
// kept: upright, at most Longest pixels on its long side, sRGB, JPEG, and without
// anything that was in the file beside the picture (EXIF, place, thumbnails,
// comments). It knows no database and no web; it decodes, so whoever calls it says
// how many at once.
package photo

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io"

	"basecourse/internal/fault"

	"github.com/kovidgoyal/imaging"
	"github.com/kovidgoyal/imaging/prism/meta"
	"github.com/kovidgoyal/imaging/prism/meta/icc"
	scale "golang.org/x/image/draw"
	"golang.org/x/image/webp"
)

// Limits of what is taken in, and of what is kept.
const (
	LargestFile = 10 << 20   // bytes
	MostPixels  = 40_000_000 // of any kind
	mostMemory  = 160 << 20  // bytes a decoder needs for its picture, by which 16-bit and progressive ones may have fewer pixels
	Longest     = 1600       // pixels on the long side of what is kept
	ThumbLong   = 240        // and of its thumbnail
	quality     = 82
	thumbQ      = 70
)

// Photo is a picture as it is kept.
type Photo struct {
	JPEG, Thumb   []byte
	Width, Height int // pixels of JPEG
}

const takes = "a photo as JPEG, PNG or WebP"

// kind tells a file's format by its first bytes, whatever it is called.
func kind(data []byte) string {
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xd8\xff")):
		return "jpeg"
	case bytes.HasPrefix(data, []byte("\x89PNG\r\n\x1a\n")):
		return "png"
	case len(data) >= 12 && string(data[:4]) == "RIFF" && string(data[8:12]) == "WEBP":
		return "webp"
	case len(data) >= 12 && string(data[4:8]) == "ftyp" && bytes.Contains([]byte("heic heix hevc heim heis mif1 msf1 avif"), data[8:12]):
		return "heic"
	}
	return ""
}

// Clean makes a sent file into what is kept; the same file gives the same bytes. What
// cannot be taken is refused (fault.Invalid, fault.TooLarge) before it is decoded
// wherever its head tells.
func Clean(data []byte) (p Photo, err error) {
	defer func() {
		if r := recover(); r != nil { // a decoder that stumbled over a crafted file
			p, err = Photo{}, fault.New(fault.Invalid, "this file is damaged; expected %s", takes)
		}
	}()
	if len(data) > LargestFile {
		return p, fault.New(fault.TooLarge, "a photo has at most %d MB", LargestFile>>20)
	}
	format := kind(data)
	if err := sized(data, format); err != nil {
		return p, err
	}
	moves, whole := chunks(data, format)
	switch {
	case moves:
		return p, fault.New(fault.Invalid, "this picture moves; expected %s", takes)
	case whole == nil:
		return p, fault.New(fault.Invalid, "this file is damaged or cut off; expected %s", takes)
	}
	all, _, err := imaging.DecodeAll(bytes.NewReader(whole), imaging.AutoOrientation(false), imaging.ColorSpace(imaging.NO_CHANGE_OF_COLORSPACE), imaging.Backends(imaging.GO_IMAGE))
	if err != nil || len(all.Frames) != 1 {
		return p, fault.Wrap(fault.Invalid, err, "this file is damaged or cut off; expected %s", takes)
	}
	small := fit(all.Frames[0].Image, Longest)
	small = toSRGB(all.Metadata, small)
	small = upright(small, orientation(all.Metadata))
	if p.JPEG, err = encode(small, quality); err != nil {
		return Photo{}, err
	}
	if p.Thumb, err = encode(fit(small, ThumbLong), thumbQ); err != nil {
		return Photo{}, err
	}
	p.Width, p.Height = small.Bounds().Dx(), small.Bounds().Dy()
	return p, nil
}

// Thumb makes the thumbnail of a picture that is kept, which it must be: an upright
// JPEG within the limits.
func Thumb(jpg []byte) (Photo, error) {
	if kind(jpg) != "jpeg" {
		return Photo{}, fault.New(fault.Invalid, "expected a JPEG of at most %d MB", LargestFile>>20)
	}
	p, err := Clean(jpg)
	p.JPEG = jpg
	return p, err
}

// sized refuses by a file's head what would take too much to decode.
func sized(data []byte, format string) error {
	decode := map[string]func([]byte) (image.Config, error){
		"jpeg": func(b []byte) (image.Config, error) { return jpeg.DecodeConfig(bytes.NewReader(b)) },
		"png":  func(b []byte) (image.Config, error) { return png.DecodeConfig(bytes.NewReader(b)) },
		"webp": func(b []byte) (image.Config, error) { return webp.DecodeConfig(bytes.NewReader(b)) },
	}[format]
	switch {
	case format == "heic":
		return fault.New(fault.Invalid, "this is a HEIC or AVIF picture, which not every browser can show: set the camera to JPEG (“most compatible”), or send it as JPEG")
	case decode == nil:
		return fault.New(fault.Invalid, "this is no picture that can be taken; expected %s", takes)
	}
	head, err := decode(data)
	if err != nil || head.Width < 1 || head.Height < 1 {
		return fault.Wrap(fault.Invalid, err, "this file is damaged or cut off; expected %s", takes)
	}
	pixels := int64(head.Width) * int64(head.Height)
	each := int64(4)
	switch head.ColorModel {
	case color.RGBA64Model, color.NRGBA64Model, color.Gray16Model:
		each = 8
	}
	if format == "jpeg" && progressive(data) {
		each = 16 // its coefficients are kept until the end
	}
	if most := min(MostPixels, mostMemory/each); pixels > most {
		return fault.New(fault.TooLarge, "this picture has %d × %d pixels; a picture of its kind has at most %d million", head.Width, head.Height, most/1_000_000)
	}
	return nil
}

// progressive tells whether a JPEG comes in several scans (ITU-T T.81 B.1.1.3: SOF2,
// SOF6, SOF10, SOF14).
func progressive(data []byte) bool {
	for i := 2; i+4 <= len(data) && data[i] == 0xff; {
		m := data[i+1]
		switch {
		case m == 0xff: // fill
			i++
			continue
		case m == 0xc2 || m == 0xc6 || m == 0xca || m == 0xce:
			return true
		case m == 0xda || m >= 0xc0 && m <= 0xcf && m != 0xc4 && m != 0xc8 && m != 0xcc:
			return false
		case m == 0x01 || m >= 0xd0 && m <= 0xd9:
			i += 2
			continue
		}
		i += 2 + int(binary.BigEndian.Uint16(data[i+2:]))
	}
	return true // where it cannot be told, the dearer
}

// mostProfile is how many bytes a colour profile may have; common ones have under 1 MB.
const mostProfile = 4 << 20

// chunks tells whether a file holds several pictures (PNG 3rd edition 11.3.6: acTL; WebP
// container: ANIM, ANMF), and gives the picture without what hangs on behind its end, nil
// where a part is longer than the file: the decoder makes room for what is claimed, up to
// 4 GB, before it reads.
func chunks(data []byte, format string) (moves bool, whole []byte) {
	order, at := binary.ByteOrder(binary.BigEndian), 8
	switch format {
	case "jpeg": // its parts have 64 kB at most
		return false, data
	case "webp":
		order, at = binary.LittleEndian, 12
		data = data[:min(int64(len(data)), 8+int64(order.Uint32(data[4:])))]
	}
	for at+8 <= len(data) {
		name, length := string(data[at+4:at+8]), int64(order.Uint32(data[at:]))
		if format == "webp" {
			name, length = string(data[at:at+4]), int64(order.Uint32(data[at+4:]))
		}
		begin := at + 8
		if length > int64(len(data)-begin) {
			return false, nil
		}
		at = begin + int(length) + 4 // its check
		if format == "webp" {
			at = begin + int(length+length%2)
		}
		switch name {
		case "acTL", "fcTL", "fdAT", "ANIM", "ANMF":
			return true, data
		case "iCCP":
			if !modest(data[begin : begin+int(length)]) {
				return false, nil
			}
		case "IEND":
			return false, data[:min(at, len(data))]
		}
	}
	return false, data
}

// modest tells whether a packed colour profile (PNG 11.3.2.3: name, NUL, method, zlib)
// does not grow beyond what profiles have.
func modest(packed []byte) bool {
	_, packed, ok := bytes.Cut(packed, []byte{0})
	if !ok || len(packed) < 2 {
		return true // nothing is unpacked
	}
	z, err := zlib.NewReader(bytes.NewReader(packed[1:]))
	if err != nil {
		return true
	}
	n, _ := io.CopyN(io.Discard, z, mostProfile+1)
	return n <= mostProfile
}

// fit scales a picture down, onto white where it is seen through.
func fit(src image.Image, long int) *image.RGBA {
	b := src.Bounds()
	w, h := b.Dx(), b.Dy()
	if m := max(w, h); m > long {
		w, h = max(1, (w*long+m/2)/m), max(1, (h*long+m/2)/m)
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(out, out.Bounds(), image.White, image.Point{}, draw.Src)
	scale.ApproxBiLinear.Scale(out, out.Bounds(), src, b, scale.Over, nil)
	return out
}

// toSRGB takes a picture from its own colours to those every browser shows; where
// its profile is damaged or of another kind, the colours stay.
func toSRGB(md *meta.Data, img *image.RGBA) (out *image.RGBA) {
	defer func() {
		if recover() != nil {
			out = img
		}
	}()
	if md == nil {
		return img
	}
	profile, err := md.ICCProfile()
	if err != nil || profile == nil || profile.Header.DataColorSpace != icc.ColorSpaceRGB || profile.IsSRGB() {
		return img
	}
	done, err := imaging.ConvertToSRGB(profile, imaging.Relative, true, img)
	if err != nil {
		return img
	}
	return plain(done)
}

// orientation is the EXIF tag 0x0112 (CIPA DC-008): 1 where nothing says otherwise. It
// is read here, from the first directory alone (TIFF 6.0, section 2): a reader of all
// tags makes room for as many values as a file claims to have, gigabytes of them.
func orientation(md *meta.Data) int {
	if md == nil {
		return 1
	}
	b := bytes.TrimPrefix(md.ExifData(), []byte("Exif\x00\x00"))
	if len(b) < 8 {
		return 1
	}
	var order binary.ByteOrder
	switch string(b[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return 1
	}
	at := uint64(order.Uint32(b[4:]))
	if at+2 > uint64(len(b)) {
		return 1
	}
	entries := b[at+2:]
	for range order.Uint16(b[at:]) {
		if len(entries) < 12 {
			return 1
		}
		const tag, short = 0x0112, 3
		if order.Uint16(entries) == tag {
			o := int(order.Uint16(entries[8:]))
			if order.Uint16(entries[2:]) != short || order.Uint32(entries[4:]) != 1 || o < 1 || o > 8 {
				return 1
			}
			return o
		}
		entries = entries[12:]
	}
	return 1
}

// upright turns a picture the way its orientation says it is to be seen.
func upright(img *image.RGBA, o int) *image.RGBA {
	turn := map[int]func(image.Image) image.Image{2: imaging.FlipH, 3: imaging.Rotate180, 4: imaging.FlipV, 5: imaging.Transpose, 6: imaging.Rotate270, 7: imaging.Transverse, 8: imaging.Rotate90}[o]
	if turn == nil {
		return img
	}
	return plain(turn(img))
}

func plain(img image.Image) *image.RGBA {
	if p, ok := img.(*image.RGBA); ok {
		return p
	}
	b := img.Bounds()
	out := image.NewRGBA(image.Rect(0, 0, b.Dx(), b.Dy()))
	draw.Draw(out, out.Bounds(), img, b.Min, draw.Src)
	return out
}

func encode(img image.Image, q int) ([]byte, error) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: q}); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}
