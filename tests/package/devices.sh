# The probes and relays of config/one-enclosure.toml, over the network with certificates, as the guide gives them out.
# What a probe reads is in a file of its name below /run/devices; what a relay was told comes into one.
keys=/etc/lampwarden/certificates
say=(mosquitto_pub -p 8883 -q 1 --cafile $keys/ca.pem)
hear=(mosquitto_sub -p 8883 -q 1 --cafile $keys/ca.pem)
sensor=(--cert $keys/sensor-e1.pem --key $keys/sensor-e1.key)
relay=(--cert $keys/relay-e1.pem --key $keys/relay-e1.key)
cd /run/devices

# A probe that never says the same twice: one that does is frozen.
turn=0
reads() {
    turn=$(((turn + 1) % 10))
    [ ! -s "$1" ] || printf "$2\n" "$(cat "$1").$turn"
}
probe() {
    while sleep 0.5; do reads "$1" "$2"; done | "${say[@]}" "${sensor[@]}" -t "garden/e1/$3" -l
}
probe basking '{"t": %s}' basking &
probe leaves %s leaves &
probe uv %s uv &

# Relays obey, and report when they are told and every two seconds.
"${hear[@]}" "${relay[@]}" -F '%t %p' -t 'garden/e1/+/set' | while read -r topic payload; do
    name=${topic#garden/e1/}
    name=${name%/set}
    echo "$payload" >>"$name.told"
    echo "$payload" >"$name"
    "${say[@]}" "${relay[@]}" -t "garden/e1/$name" -m "$payload"
done &
for name in heat night uvb; do
    while sleep 2; do cat "$name"; done | "${say[@]}" "${relay[@]}" -t "garden/e1/$name" -l &
done
wait
