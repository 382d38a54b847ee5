"""What is shown: pictures, the window, text for a terminal, answers, reports and sheets.

It knows runs, profiles and echoes, never devices. It does not print; the command does.
"""
