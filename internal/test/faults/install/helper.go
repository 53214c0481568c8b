package main

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
)

// help is what the guest cannot do with a shell: listen for pushes, and make the recorded probe warm.
func help(args []string) error {
	if len(args) != 3 {
		return fmt.Errorf("want listen ADDRESS FILE or warm CELSIUS FOLDER")
	}
	if args[0] == "listen" {
		return listen(args[1], args[2])
	}
	celsius, err := strconv.ParseFloat(args[1], 64)
	if err != nil {
		return err
	}
	return warm(celsius, args[2])
}

// listen writes the body of every push to a file.
func listen(address, path string) error {
	file, err := os.Create(path)
	if err != nil {
		return err
	}
	return http.ListenAndServe(address, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, err := io.Copy(file, io.LimitReader(r.Body, 1<<20)); err != nil {
			w.WriteHeader(http.StatusInternalServerError)
			return
		}
		fmt.Fprintln(file)
	}))
}

// warm writes what the kernel shows of a DS18B20 at a temperature.
func warm(celsius float64, folder string) error {
	word := uint16(int16(math.Round(celsius * 16)))
	bytes := []byte{byte(word), byte(word >> 8), 0x4B, 0x46, 0x7F, 0xFF, 0x10 - byte(word&15), 0x10}
	text := ""
	for _, b := range bytes {
		text += fmt.Sprintf("%02x ", b)
	}
	crc := crc8(bytes)
	text += fmt.Sprintf("%02x : crc=%02x YES\n", crc, crc)
	text += text[:27] + fmt.Sprintf("t=%d\n", int(math.Round(float64(int16(word))*1000/16)))
	// The kernel's files are read whole, so that they are replaced whole.
	draft := filepath.Join(folder, ".w1_slave")
	if err := os.WriteFile(draft, []byte(text), 0o644); err != nil {
		return err
	}
	return os.Rename(draft, filepath.Join(folder, "w1_slave"))
}

// crc8 is the checksum of 1-Wire: x⁸+x⁵+x⁴+1, reflected.
func crc8(data []byte) (crc byte) {
	for _, b := range data {
		crc ^= b
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0x8C
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}
