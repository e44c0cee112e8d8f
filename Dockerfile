# Build: one static binary. The module cache is kept between builds.
FROM golang:1.26 AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
ARG VERSION=container
RUN CGO_ENABLED=0 go build -trimpath -ldflags "-s -w -X main.version=${VERSION}" -o /out/offsetbridge ./cmd/offsetbridge \
 && mkdir -p /out/data

# Run: nothing but the binary, as nobody in particular. The configuration comes
# in at /etc/offsetbridge/cell.toml, the journal lives in the volume.
FROM scratch
COPY --from=build /out/offsetbridge /offsetbridge
COPY --from=build /etc/ssl/certs/ca-certificates.crt /etc/ssl/certs/ca-certificates.crt
COPY --from=build --chown=65532:65532 /out/data /var/lib/offsetbridge
USER 65532:65532
VOLUME /var/lib/offsetbridge
ENTRYPOINT ["/offsetbridge"]
# Well is: every loop answers and the record is whole. A hold is no illness.
HEALTHCHECK --interval=30s --timeout=10s --start-period=60s CMD ["/offsetbridge", "health", "-c", "/etc/offsetbridge/cell.toml"]
CMD ["run", "-c", "/etc/offsetbridge/cell.toml"]
