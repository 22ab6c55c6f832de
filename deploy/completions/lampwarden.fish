# Print an optspec for argparse to handle cmd's options that are independent of any subcommand.
function __fish_lampwarden_global_optspecs
    string join \n h/help V/version
end

function __fish_lampwarden_needs_command
    # Figure out if the current invocation already has a command.
    set -l cmd (commandline -opc)
    set -e cmd[1]
    argparse -s (__fish_lampwarden_global_optspecs) -- $cmd 2>/dev/null
    or return
    if set -q argv[1]
        # Also print the command, so this can be used to figure out what it is.
        echo $argv[1]
        return 1
    end
    return 0
end

function __fish_lampwarden_using_subcommand
    set -l cmd (__fish_lampwarden_needs_command)
    test -z "$cmd"
    and return 1
    contains -- $cmd[1] $argv
end

complete -c lampwarden -n "__fish_lampwarden_needs_command" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -s V -l version -d 'Print version'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "demo" -d 'Show a whole simulated room on an embedded broker; needs no configuration'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "serve" -d 'Run the daemon'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "check" -d 'Validate a configuration: every finding with file, line, what is wrong and what would be right'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "almanac" -d 'Show the days ahead: lights, sunrise and sunset'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "season" -d 'Cooling seasons: how they stand; hold one back, let it go on, break it off'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "wiring" -d 'Look at the wiring: what each configured topic says, what is silent, and each relay tried once on request'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "rehearse" -d 'Rehearse scenarios in virtual time: the same control code through faults, seeds and seasons'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "replay" -d 'Feed recorded messages through a configuration: what would it have done with last month?'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "meter" -d 'Rounds with a hand-held UV meter: log a reading, see the gradient and the dose, find a lamp\'s height'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "lamps" -d 'Lamps, a line each: state, hours, next change; why one is judged so; log that one was changed'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "energy" -d 'Show what lamps drew month by month, and what it cost: by lamp, enclosure, rack or circuit'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "history" -d 'Write the journal out as CSV, JSON Lines or Parquet; take readings of a spreadsheet in; make a backup'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "report" -d 'Write ninety days of one animal\'s light, heat and UV as a page for a veterinarian, which prints on A4'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "alarms" -d 'Alarms that stand, who was told, and acknowledging them'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "contacts" -d 'People who are told: send each a test message'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "away" -d 'Being away: the checklist before leaving'
complete -c lampwarden -n "__fish_lampwarden_needs_command" -f -a "accounts" -d 'Accounts of the web pages: who may look, keep or manage'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand demo" -l speed -d 'Simulated seconds in a real one, 1 to 240. The embedded broker takes 44 ms for an exchange at QoS 1, which a faster clock would turn into a quarter of a minute' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand demo" -l for -d 'Ends the demo after this much real time, such as 30s, 5m or 2h' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand demo" -l seed -d 'Seed of the room: its weather and the noise of its probes' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand demo" -l page -d 'Address and port of the web page; a free port of this machine where that is taken' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand demo" -l past -d 'So many days lie behind the room, in the journal' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand demo" -l plain -d 'Prints one line for each change, as it does by itself where the output is no terminal'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand demo" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand serve" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand serve" -l log -d 'How log lines are written, on stderr' -r -f -a "human\t'For people'
json\t'One JSON object a line'"
complete -c lampwarden -n "__fish_lampwarden_using_subcommand serve" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand check" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand check" -l json -d 'Print the findings as a JSON array'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand check" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand almanac" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand almanac" -l enclosure -d 'Only this enclosure' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand almanac" -l from -d 'First date; today at the site unless given' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand almanac" -l days -d 'How many days' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand almanac" -l format -d 'How it is written' -r -f -a "table\t''
csv\t''
json\t''"
complete -c lampwarden -n "__fish_lampwarden_using_subcommand almanac" -l year -d 'A picture of the year from the first date on: day lengths, UV, targets and the cooling season; JSON day by day'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand almanac" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and not __fish_seen_subcommand_from hold go-on break-off" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and not __fish_seen_subcommand_from hold go-on break-off" -l json -d 'Print a JSON array'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and not __fish_seen_subcommand_from hold go-on break-off" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and not __fish_seen_subcommand_from hold go-on break-off" -f -a "hold" -d 'Hold it back: it does not begin, or its way down stands still'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and not __fish_seen_subcommand_from hold go-on break-off" -f -a "go-on" -d 'Let it go on'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and not __fish_seen_subcommand_from hold go-on break-off" -f -a "break-off" -d 'Break it off: the way up begins now, or it does not begin this year'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and __fish_seen_subcommand_from hold" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and __fish_seen_subcommand_from hold" -l rack -d 'Every bay of this rack' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and __fish_seen_subcommand_from hold" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and __fish_seen_subcommand_from go-on" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and __fish_seen_subcommand_from go-on" -l rack -d 'Every bay of this rack' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and __fish_seen_subcommand_from go-on" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and __fish_seen_subcommand_from break-off" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and __fish_seen_subcommand_from break-off" -l rack -d 'Every bay of this rack' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand season; and __fish_seen_subcommand_from break-off" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and not __fish_seen_subcommand_from commission records" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and not __fish_seen_subcommand_from commission records" -l for -d 'How long to listen, such as 60s or 5m' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and not __fish_seen_subcommand_from commission records" -l record -d 'Write every message to this file as a recording for `replay`' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and not __fish_seen_subcommand_from commission records" -l try-relays -d 'Then switch each relay on for two seconds and off again, each after a question'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and not __fish_seen_subcommand_from commission records" -l yes -d 'Try relays without asking'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and not __fish_seen_subcommand_from commission records" -l json -d 'Print the report as JSON'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and not __fish_seen_subcommand_from commission records" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and not __fish_seen_subcommand_from commission records" -f -a "commission" -d 'Walk through every probe and lamp of an enclosure: what is exchanged, how it warms, figures for it; and sign a record'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and not __fish_seen_subcommand_from commission records" -f -a "records" -d 'List the records of commissioning in the journal, oldest first'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and __fish_seen_subcommand_from commission" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and __fish_seen_subcommand_from commission" -l by -d 'Who does it, for the record; the user\'s name unless given' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and __fish_seen_subcommand_from commission" -l longest -d 'How long a lamp may be on to measure how it warms' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and __fish_seen_subcommand_from commission" -l no-step -d 'Do not measure how lamps warm: switch each only until its probe answers'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and __fish_seen_subcommand_from commission" -l yes -d 'Ask nothing: you stand by, and no animal is in there. Probes are not taken into the hand, nobody says which lamp came on, and the record is signed only with --by'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and __fish_seen_subcommand_from commission" -l json -d 'Print the records as a JSON array; questions and progress go to stderr'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and __fish_seen_subcommand_from commission" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and __fish_seen_subcommand_from records" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and __fish_seen_subcommand_from records" -l json -d 'Print a JSON array'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand wiring; and __fish_seen_subcommand_from records" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand rehearse" -l seeds -d 'Rehearse each with these seeds instead of its own; the last is not included' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand rehearse" -l report -d 'Write a page with plots for each rehearsal here, and over several an index' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand rehearse" -l json -d 'Print the outcomes as a JSON array'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand rehearse" -l quick -d 'Leave out scenarios marked as slow'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand rehearse" -l coverage -d 'Print which faults, guard states and alarms were reached, and how often'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand rehearse" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand replay" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand replay" -l json -d 'Print every change of a lamp and every alarm as JSON Lines'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand replay" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and not __fish_seen_subcommand_from log spots height" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and not __fish_seen_subcommand_from log spots height" -f -a "log" -d 'Log what a hand-held meter showed at a spot; beside a UV probe it calibrates the probe'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and not __fish_seen_subcommand_from log spots height" -f -a "spots" -d 'Show what was measured at each spot, the gradient, each UV probe\'s calibration and the day\'s dose'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and not __fish_seen_subcommand_from log spots height" -f -a "height" -d 'At what height is the band met? From readings at two heights or more below one lamp'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from log" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from log" -l alone -d 'Only this lamp was lit: readings of lamps measured one by one are added up' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from log" -l guess -d 'The reading is a guess, and counts little'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from log" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from spots" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from spots" -l json -d 'Print a JSON array'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from spots" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from height" -l at -d 'A reading: distance from the lamp\'s face and UV index, as 20cm=6.1; at least two' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from height" -l measured-through -d 'Mesh that was between lamp and meter: how much UV it takes, in percent' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from height" -l mesh -d 'Mesh that will be between lamp and animal, in percent' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from height" -l zone -d 'Ferguson zone whose band is wanted, 1 to 4; 3 where nothing is said' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from height" -l low -d 'Least UV index wanted' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from height" -l high -d 'Most UV index wanted' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from height" -l json -d 'Print a JSON object'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand meter; and __fish_seen_subcommand_from height" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand lamps; and not __fish_seen_subcommand_from why changed" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand lamps; and not __fish_seen_subcommand_from why changed" -l enclosure -d 'Only this enclosure' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand lamps; and not __fish_seen_subcommand_from why changed" -l json -d 'Print a JSON array'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand lamps; and not __fish_seen_subcommand_from why changed" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand lamps; and not __fish_seen_subcommand_from why changed" -f -a "why" -d 'Why a lamp is judged as it is, or an alarm stands: readings, fit and thresholds'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand lamps; and not __fish_seen_subcommand_from why changed" -f -a "changed" -d 'Log that another lamp was fitted: its hours begin anew, and the UV probe there waits for a meter reading'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand lamps; and __fish_seen_subcommand_from why" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand lamps; and __fish_seen_subcommand_from why" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand lamps; and __fish_seen_subcommand_from changed" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand lamps; and __fish_seen_subcommand_from changed" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand energy" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand energy" -l enclosure -d 'Only this enclosure' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand energy" -l from -d 'First month; this one unless given' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand energy" -l until -d 'Last month; this one unless given' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand energy" -l by -d 'What is added up' -r -f -a "lamp\t''
enclosure\t''
rack\t''
circuit\t''
month\t''"
complete -c lampwarden -n "__fish_lampwarden_using_subcommand energy" -l json -d 'Print JSON: every lamp and month, and the sums of every rack, circuit and month'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand energy" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -l enclosure -d 'Only this enclosure' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -l probe -d 'Only this probe' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -l from -d 'From this date or time of the site on, such as 2026-03-01 or "2026-03-01 08:00"' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -l to -d 'Up to this time, or to the end of this date' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -l resolution -d 'How closely readings are told. Minutes are kept for five weeks, hours for five years; a day is one of the site\'s calendar' -r -f -a "minute\t''
hour\t''
day\t''"
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -l what -d 'What is told' -r -f -a "readings\t'What probes said: mean, lowest and highest, and how many readings were believed and not'
switches\t'Every change of a lamp\'s level, with its reason'
alarms\t'Alarms as they were raised, changed and cleared'
acts\t'What the keeper did'
remarks\t'What the program found worth telling beside alarms'
gaps\t'When nobody watched, because the daemon did not run'"
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -l format -d 'How it is written' -r -f -a "csv\t'A header, then a line for each row (RFC 4180)'
jsonl\t'A JSON object for each row, one a line'
parquet\t'Apache Parquet, for tables too large for the others'"
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -l output -d 'Where to; standard output unless given' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -l backup -d 'Instead: copy the whole journal to this new file, also while the daemon runs, and look whether the copy is sound' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and not __fish_seen_subcommand_from import" -f -a "import" -d 'Take readings from a CSV file, such as a spreadsheet\'s, into the journal'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -l enclosure -d 'Whose readings they are' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -l time -d 'The header of the column with the times' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -l column -d 'A column and the probe whose readings it holds, such as "Basking spot=basking"; may be given more than once' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -l time-format -d 'How times are written, such as "%d.%m.%Y %H:%M"; else 2026-03-01 08:00, with T and seconds if you like, or RFC 3339' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -l zone -d 'The time zone they are in, such as Europe/Lisbon; the site\'s unless given' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -l delimiter -d 'What stands between columns: a character, or "tab"' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -l decimal-comma -d 'Numbers are written as 33,1'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -l fahrenheit -d 'Temperatures are in Fahrenheit'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -l skip-bad -d 'Import what is right and leave out what is wrong; else nothing is imported where anything is wrong'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -l replace -d 'Put imported readings in the place of those that the journal has; else those stay'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand history; and __fish_seen_subcommand_from import" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand report" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand report" -l days -d 'How many days, the last of them whole' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand report" -l until -d 'The last date; yesterday unless given' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand report" -s o -l output -d 'Where the page goes; standard output unless given' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand report" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and not __fish_seen_subcommand_from list acknowledge shelve unshelve out-of-service in-service metrics" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and not __fish_seen_subcommand_from list acknowledge shelve unshelve out-of-service in-service metrics" -l json -d 'Print a JSON array'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and not __fish_seen_subcommand_from list acknowledge shelve unshelve out-of-service in-service metrics" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and not __fish_seen_subcommand_from list acknowledge shelve unshelve out-of-service in-service metrics" -f -a "list" -d 'List the alarms that stand, the most important first'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and not __fish_seen_subcommand_from list acknowledge shelve unshelve out-of-service in-service metrics" -f -a "acknowledge" -d 'Say that somebody has seen an alarm and sees to it: nobody is reminded of it any more'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and not __fish_seen_subcommand_from list acknowledge shelve unshelve out-of-service in-service metrics" -f -a "shelve" -d 'Put an alarm aside for a while: nobody is told of it, and it is told again afterwards if it still stands. A lamp that cannot be stopped cannot be shelved, and one that got too hot for half an hour at most'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and not __fish_seen_subcommand_from list acknowledge shelve unshelve out-of-service in-service metrics" -f -a "unshelve" -d 'Take an alarm off the shelf: it is told at once if it still stands'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and not __fish_seen_subcommand_from list acknowledge shelve unshelve out-of-service in-service metrics" -f -a "out-of-service" -d 'Say that no animal lives in an enclosure: only alarms of its guard are told. Lamps and guards go on as always'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and not __fish_seen_subcommand_from list acknowledge shelve unshelve out-of-service in-service metrics" -f -a "in-service" -d 'Say that an animal lives in an enclosure again'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and not __fish_seen_subcommand_from list acknowledge shelve unshelve out-of-service in-service metrics" -f -a "metrics" -d 'How well the alarms serve whoever answers them: rates, floods, chattering and stale alarms, priorities, beside the figures of ISA-18.2 / IEC 62682'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from list" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from list" -l json -d 'Print a JSON array'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from list" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from acknowledge" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from acknowledge" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from shelve" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from shelve" -l for -d 'For how long, such as `2h`' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from shelve" -l why -d 'Why, for whoever reads the list' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from shelve" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from unshelve" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from unshelve" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from out-of-service" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from out-of-service" -l why -d 'Why, for whoever reads the list' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from out-of-service" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from in-service" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from in-service" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from metrics" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from metrics" -l days -d 'Over so many days up to now' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from metrics" -l json -d 'Print a JSON object'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand alarms; and __fish_seen_subcommand_from metrics" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand contacts; and not __fish_seen_subcommand_from test" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand contacts; and not __fish_seen_subcommand_from test" -f -a "test" -d 'Send a test message to every contact by every channel, and tell what became of each'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand contacts; and __fish_seen_subcommand_from test" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand contacts; and __fish_seen_subcommand_from test" -l contact -d 'Only this contact' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand contacts; and __fish_seen_subcommand_from test" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand away; and not __fish_seen_subcommand_from check" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand away; and not __fish_seen_subcommand_from check" -f -a "check" -d 'Fill in the checklist before leaving, as far as the program can'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand away; and __fish_seen_subcommand_from check" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand away; and __fish_seen_subcommand_from check" -l json -d 'Print a JSON object'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand away; and __fish_seen_subcommand_from check" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and not __fish_seen_subcommand_from add list remove" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and not __fish_seen_subcommand_from add list remove" -f -a "add" -d 'Make an account, or give one another password or role; the password is asked for, or read from standard input'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and not __fish_seen_subcommand_from add list remove" -f -a "list" -d 'Name the accounts and their roles'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and not __fish_seen_subcommand_from add list remove" -f -a "remove" -d 'Remove an account'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and __fish_seen_subcommand_from add" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and __fish_seen_subcommand_from add" -l role -d 'What they may do: look, keep or manage' -r
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and __fish_seen_subcommand_from add" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and __fish_seen_subcommand_from list" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and __fish_seen_subcommand_from list" -s h -l help -d 'Print help'
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and __fish_seen_subcommand_from remove" -s c -l config -d 'Configuration: a file, or a folder of *.toml files; may be given more than once' -r -F
complete -c lampwarden -n "__fish_lampwarden_using_subcommand accounts; and __fish_seen_subcommand_from remove" -s h -l help -d 'Print help'
