package web

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"slices"
	"strconv"
)

// Manifest is what the build of the pages writes beside its files: which of them each page needs.
type Manifest struct {
	Styles []string            `json:"styles"`
	Pages  map[string][]string `json:"pages"`  // the page's script first, then what it imports and its own styles
	Notice string              `json:"notice"` // the licences of the packages that the files contain
}

// ManifestName is a file that exists once the pages are built.
const ManifestName = "manifest.json"

// assets are the built files, held in memory as they are and compressed.
type assets struct {
	manifest Manifest
	files    map[string]asset
}

type asset struct {
	mediaType   string
	raw, packed []byte
}

var mediaTypes = map[string]string{
	".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml",
	".txt": "text/plain; charset=utf-8",
}

func loadAssets(built fs.FS) (*assets, error) {
	data, err := fs.ReadFile(built, ManifestName)
	if err != nil {
		return nil, err
	}
	a := &assets{files: map[string]asset{}}
	if err := json.Unmarshal(data, &a.manifest); err != nil {
		return nil, fmt.Errorf("%s: %w", ManifestName, err)
	}
	entries, err := fs.ReadDir(built, ".")
	if err != nil {
		return nil, err
	}
	for _, entry := range entries {
		mediaType, served := mediaTypes[path.Ext(entry.Name())]
		if !served {
			continue
		}
		raw, err := fs.ReadFile(built, entry.Name())
		if err != nil {
			return nil, err
		}
		var packed bytes.Buffer
		writer, _ := gzip.NewWriterLevel(&packed, gzip.BestCompression) // the level exists
		_, _ = writer.Write(raw)                                        // into memory
		_ = writer.Close()
		a.files[entry.Name()] = asset{mediaType, raw, packed.Bytes()}
	}
	for _, p := range slices.Concat(pages, further) {
		if len(a.manifest.Pages[p.Name]) == 0 {
			return nil, fmt.Errorf("%s names no script for the page %q", ManifestName, p.Name)
		}
	}
	return a, nil
}

// serveAsset serves a built file. Its name changes with its contents, so it may be kept for good.
func (s *site) serveAsset(w http.ResponseWriter, r *http.Request) {
	if s.assets == nil {
		http.NotFound(w, r)
		return
	}
	file, ok := s.assets.files[r.PathValue("name")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	if s.Access.Needed() {
		h.Set("Cache-Control", "private, max-age=31536000, immutable")
	}
	h.Set("Content-Type", file.mediaType)
	h.Add("Vary", "Accept-Encoding")
	data := file.raw
	if takesGzip(r) {
		h.Set("Content-Encoding", "gzip")
		data = file.packed
	}
	h.Set("Content-Length", strconv.Itoa(len(data)))
	if r.Method != http.MethodHead {
		_, _ = w.Write(data) // a caller who has gone is no news
	}
}
