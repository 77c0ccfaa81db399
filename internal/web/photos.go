package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/photo"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// photoBody is the largest photo and what is wrapped round it by a form.
const photoBody = photo.LargestFile + 64<<10

// photoTypes are what a photo may come as.
var photoTypes = []string{"image/jpeg", "image/png", "image/webp"}

var docPhoto = &apiDoc{Summary: "Send a photo of a first layer",
	More: "The body is the picture: JPEG, PNG or WebP, at most 10 MB and 40 million pixels. It is turned upright, made at most 1600 pixels long and kept as JPEG; place, device and everything else beside the picture is dropped. " +
		"The first layer must be recorded before. Sending the same file again with the same id is safe: it is answered already_recorded.",
	Params: []apiParam{{"id", "The photo's own id, made by whoever sends it.", formTag}, {"first_layer", "The id of the first layer it shows.", formTag},
		{"taken_at", "When it was taken; now when left out.", formTime}, {"person", "Who took it; whoever is signed in when left out.", formTag}},
	BodyTypes: photoTypes, Answer: object(schema{"id": schema{"type": "string", "format": "uuid"}, "result": schema{"enum": []string{"recorded", "already_recorded"}}})}

// sentPhoto is a photo as it came.
type sentPhoto struct {
	id, layer, person string
	takenAt           string // RFC 3339; "" now
	data              []byte
}

// keepPhoto cleans a photo, one at a time for each place there is, and stores it with
// its record.
func (s *Server) keepPhoto(c echo.Context, via string, p sentPhoto) (store.Result, error) {
	ctx, who := c.Request().Context(), identity(c)
	id, err := farm.NewID(farm.KindPhoto, p.id)
	if err != nil || id.IsZero() {
		return store.Result{}, fault.At(fault.Problem{Column: "id", Found: p.id, Expected: "the photo's own id: 1 to 64 characters"})
	}
	sent := sha256.Sum256(p.data)
	before, err := s.store.PhotoSent(ctx, id.UUID, sent)
	if err != nil || before {
		return store.Result{ID: id, Outcome: store.AlreadyRecorded}, err
	}
	layerID, err := farm.NewID(farm.KindFirstLayer, p.layer)
	noLayer := fault.At(fault.Problem{Column: "first_layer", Found: p.layer, Expected: "the id of a first layer that is recorded"})
	if err != nil || layerID.IsZero() {
		return store.Result{}, noLayer
	}
	layer, err := s.store.FirstLayer(ctx, layerID)
	if fault.Is(err, fault.NotFound) {
		return store.Result{}, noLayer
	}
	if err != nil {
		return store.Result{}, err
	}
	kept, err := s.cleanPhoto(ctx, p.data)
	if err != nil {
		return store.Result{}, err
	}
	sum := sha256.Sum256(kept.JPEG)
	record := map[string]any{"kind": farm.KindPhoto, "id": p.id, "printer": layer.Printer, "first_layer": layer.ID.UUID.String(), "sha256": hex.EncodeToString(sum[:]),
		"width_px": kept.Width, "height_px": kept.Height, "taken_at": either(p.takenAt, intake.Stamp(s.store.Now()))}
	if person := either(p.person, who.Handle); person != "" {
		record["person"] = person
	}
	body, err := json.Marshal(record)
	if err != nil {
		return store.Result{}, err
	}
	item := intake.ParseRecord(body, "", s.store.Now())
	if item.Err == nil {
		refusal, err := s.fieldRights(ctx, who, &item)
		if err != nil {
			return store.Result{}, err
		}
		if refusal != nil {
			return store.Result{}, refusal
		}
	}
	return s.store.RecordPhoto(ctx, who.act(via), item, kept, sent)
}

// cleanPhoto decodes when there is a place for its memory.
func (s *Server) cleanPhoto(ctx context.Context, data []byte) (photo.Photo, error) {
	select {
	case s.decoding <- struct{}{}:
		defer func() { <-s.decoding }()
	case <-ctx.Done():
		return photo.Photo{}, fault.Wrap(fault.Busy, ctx.Err(), "Too many photos come in at once. Try again in a moment.")
	}
	return photo.Clean(data)
}

// apiPhoto takes one photo, its picture being the body.
func (s *Server) apiPhoto() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "id", "first_layer", "taken_at", "person"); err != nil {
			return err
		}
		kind, _, err := mime.ParseMediaType(c.Request().Header.Get(echo.HeaderContentType))
		if err != nil || !strings.HasPrefix(kind, "image/") {
			return echo.NewHTTPError(http.StatusUnsupportedMediaType, "Send the picture itself, as image/jpeg, image/png or image/webp.")
		}
		data, err := io.ReadAll(c.Request().Body)
		if err != nil {
			return err
		}
		result, err := s.keepPhoto(c, "api", sentPhoto{id: c.QueryParam("id"), layer: c.QueryParam("first_layer"), takenAt: c.QueryParam("taken_at"), person: c.QueryParam("person"), data: data})
		if err != nil {
			return err
		}
		return writeJSON(c, http.StatusOK, map[string]any{"id": result.ID.UUID, "result": result.Outcome})
	}
}

// postLayerPhoto takes a photo from a form: what works without a script.
func (s *Server) postLayerPhoto() echo.HandlerFunc {
	return func(c echo.Context) error {
		f, _, err := s.firstLayer(c)
		if err != nil {
			return err
		}
		parts, err := c.Request().MultipartReader()
		if err != nil {
			return echo.NewHTTPError(http.StatusUnsupportedMediaType, "Send the form as multipart/form-data.")
		}
		p := sentPhoto{layer: f.ID.UUID.String()}
		for {
			part, err := parts.NextPart()
			if errors.Is(err, io.EOF) {
				break
			}
			if n := new(http.MaxBytesError); errors.As(err, &n) {
				return tooLarge(n.Limit)
			}
			if err != nil {
				return fault.New(fault.Invalid, "The form could not be read.")
			}
			data, err := io.ReadAll(part)
			if err != nil {
				return err
			}
			switch part.FormName() {
			case "id":
				p.id = string(data)
			case "photo":
				p.data = data
			default:
				return badRequest(fault.Problem{Column: part.FormName(), Found: part.FormName(), Expected: "one of the form's fields, once: id, photo"})
			}
		}
		if len(p.data) == 0 {
			return fault.New(fault.Invalid, "No photo was chosen. Go back and choose one.")
		}
		if _, err := s.keepPhoto(c, "page", p); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/first-layers/"+f.ID.UUID.String()+"#photos"))
	}
}

// photoID reads the photo an address names.
func photoID(c echo.Context) (uuid.UUID, error) {
	text, err := tagParam(c, "id")
	if err != nil {
		return uuid.Nil, err
	}
	id, err := farm.NewID(farm.KindPhoto, text)
	if err != nil || id.IsZero() {
		return uuid.Nil, fault.New(fault.NotFound, "There is no photo %s.", fault.Quote(text))
	}
	return id.UUID, nil
}

// getPicture serves a kept picture to whoever is signed in. It never changes under
// its id, so the browser may keep it; nobody between may.
func getPicture(thumb bool) func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			if err := onlyParams(c); err != nil {
				return err
			}
			id, err := photoID(c)
			if err != nil {
				return err
			}
			jpg, err := s.store.Picture(c.Request().Context(), id, thumb)
			if err != nil {
				return err
			}
			sum := sha256.Sum256(jpg)
			tag := `"` + hex.EncodeToString(sum[:16]) + `"`
			h := c.Response().Header()
			h.Set("Cache-Control", "private, max-age=31536000, immutable")
			h.Set("ETag", tag)
			if hasTag(c.Request().Header.Values("If-None-Match"), tag) {
				return c.NoContent(http.StatusNotModified)
			}
			h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
			h.Set(echo.HeaderContentDisposition, `inline; filename="`+id.String()+`.jpg"`)
			return c.Blob(http.StatusOK, "image/jpeg", jpg)
		}
	}
}

// postPhotoRemove takes a photo back: the record is voided with a reason, the picture
// goes for good.
func (s *Server) postPhotoRemove() echo.HandlerFunc {
	return func(c echo.Context) error {
		id, err := photoID(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "reason")
		if err != nil {
			return err
		}
		ctx, who := c.Request().Context(), identity(c)
		rec, err := s.store.Event(ctx, farm.KindPhoto, farm.ID{UUID: id})
		if err != nil {
			return err
		}
		p, ok := rec.(*farm.Photo)
		if !ok {
			return fault.New(fault.NotFound, "There is no such photo.")
		}
		reason := strings.TrimSpace(sent["reason"])
		switch {
		case !who.anyPerson() && (who.Handle == "" || p.Person != who.Handle):
			return fault.New(fault.Forbidden, "Somebody else took this photo. Ask them, or a manager, to remove it.")
		case reason == "" || len(reason) > 1000:
			return fault.New(fault.Invalid, "Say why it goes, in up to 1000 characters.")
		}
		body, err := json.Marshal(map[string]any{"kind": intake.KindVoid, "id": uuid.NewV5(id, "void").String(), "record": id.String(), "voided_at": intake.Stamp(s.store.Now()), "void_reason": reason, "voided_by": who.Handle})
		if err != nil {
			return err
		}
		if err := s.store.RemovePhoto(ctx, who.act("page"), intake.ParseRecord(body, "", s.store.Now()), id); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "photo removed", slog.String("request", requestID(c)), slog.String("who", who.label()))
		return c.Redirect(http.StatusSeeOther, s.url("/first-layers/"+p.FirstLayer+"#photos"))
	}
}

// photoPart is what a first layer's page shows of photos: its own, and beside them
// that of the last clean layer of the same printer.
func (s *Server) photoPart(ctx context.Context, who Identity, f *farm.FirstLayer, zone *time.Location) (views.PhotoPart, error) {
	part := views.PhotoPart{Layer: f.ID.UUID.String(), Script: s.asset("photos.js"), To: s.url("/api/v1/photos")}
	own, err := s.store.PhotosOf(ctx, f)
	if err != nil {
		return part, err
	}
	for i := range own {
		x := s.photoShown(&own[i], zone)
		x.Alt = "First layer on " + f.Printer + ", started " + clock(f.StartedAt, zone)
		if who.anyPerson() || own[i].Person == who.Handle && who.Handle != "" {
			x.Remove = s.url("/photos/" + own[i].ID.String() + "/remove")
		}
		part.Photos = append(part.Photos, x)
	}
	if f.VoidedAt.IsZero() {
		id, err := uuid.NewV7()
		if err != nil {
			return part, err
		}
		part.Action, part.ID = s.url("/first-layers/"+f.ID.UUID.String()+"/photos"), id.String()
	}
	if f.Grade == "clean" || len(own) == 0 {
		return part, nil
	}
	clean, err := s.store.LastCleanPhoto(ctx, f)
	if err != nil || clean == nil {
		return part, err
	}
	part.Clean = s.photoShown(clean, zone)
	part.Clean.Words = "The last clean layer on " + f.Printer + " with a photo, " + clock(clean.TakenAt, zone)
	part.Clean.Alt, part.Clean.Layer = part.Clean.Words, s.url("/first-layers/"+clean.Layer.String())
	return part, nil
}

func (s *Server) photoShown(p *store.LayerPhoto, zone *time.Location) views.Photo {
	x := views.Photo{Words: clock(p.TakenAt, zone), Width: p.Width, Height: p.Height, Gone: !p.Kept,
		Src: s.url("/photos/" + p.ID.String() + "/file"), Thumb: s.url("/photos/" + p.ID.String() + "/thumb/file"), Layer: s.url("/first-layers/" + p.Layer.String())}
	if p.Person != "" {
		x.Words += ", " + p.Person
	}
	return x
}

// printerPhotos are the latest photos of a printer's layers, small.
func (s *Server) printerPhotos(ctx context.Context, tag string, zone *time.Location) ([]views.Photo, error) {
	list, err := s.store.PrinterPhotos(ctx, tag, 8)
	if err != nil {
		return nil, err
	}
	var out []views.Photo
	for i := range list {
		out = append(out, s.photoShown(&list[i], zone))
	}
	return out, nil
}
