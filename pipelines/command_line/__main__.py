from chaffinch.pipelines.command_line import main

main()
